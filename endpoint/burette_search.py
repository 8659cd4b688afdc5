"""Where the burette and the falling drops are in the picture, where no box is given."""

from __future__ import annotations

from endpoint.burette_view import unseen
from endpoint.sources.frame import Box, PictureSource


def find_burette(source: PictureSource) -> Box:
    """Box around the straight graduated tube."""
    raise unseen("burette-not-found")


def find_tip(source: PictureSource) -> Box:
    """Box in which drops fall."""
    raise unseen("tip-not-found")
