"""What can go wrong, in words for the person at the bench.

Two kinds of trouble are kept apart:

* a `Problem` is an exception: the work cannot go on. It carries one sentence, one remedy and
  an exit code; the command line prints exactly these and never a traceback.
* a `Flag` is a bit on a frame or a point: the work goes on, and the point is set aside or marked.
"""

from __future__ import annotations

import difflib
import enum

from calibration.problem import Problem

EXIT_LOCATED = 0
EXIT_BAD_INPUT = Problem.exit_code
EXIT_BRACKETED = 3
EXIT_NONE = 4
EXIT_FAULT = 70
"""A fault of the program itself; EX_SOFTWARE of sysexits.h."""


def nearest(name: str, known: tuple[str, ...]) -> str:
    """Sentence part that names the nearest known word, or all of them."""
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"Did you mean {close[0]}?" if close else f"Known are: {', '.join(known)}."


class RecordProblem(Problem):
    """The titration record (TOML) or a command option cannot be used."""

    code = "record"


class NotReady(RecordProblem):
    """The flask is not found yet: wait until the checks of the set-up are good."""

    code = "not-ready"


class Unsure(RecordProblem):
    """What was typed may be a slip, or is not advised: it is done if the person says so again."""

    code = "unsure"


class SourceProblem(Problem):
    """The recording itself (film, stills, photometer table) cannot be read."""

    code = "source"


class DeliveryProblem(Problem):
    """The delivered volume is missing or contradicts itself."""

    code = "delivery"


class UnseenVolume(DeliveryProblem):
    """The pictures do not show surely what was delivered; ends as status `none` in an analysis.

    Parameters
    ----------
    reason:
        Code of the sentence.
    sentence, remedy:
        As of every problem.
    """

    def __init__(self, reason: str, sentence: str, remedy: str) -> None:
        super().__init__(sentence, remedy)
        self.reason = reason
        self.args = (reason, sentence, remedy)


class CertificateProblem(Problem):
    """A calibration certificate is missing, expired or belongs to something else."""

    code = "certificate"


class OutputProblem(Problem):
    """A result cannot be written where it was asked for."""

    code = "output"


class JournalProblem(OutputProblem):
    """The journal of the runs cannot be opened, read or written."""

    code = "journal"


class InstallProblem(Problem):
    """A library that the work needs cannot be loaded."""

    code = "install"


class NoEndpoint(Exception):
    """The recording is readable but holds no endpoint; raised by a stage, caught by the verdict.

    It is no bad input: it ends as status `none` with exit code 4.
    """

    def __init__(self, code: str) -> None:
        super().__init__(code)
        self.code = code


class Flag(enum.IntFlag):
    """Why a frame or a point is not used like the others (bits, combined with `|`)."""

    NONE = 0
    MIXING = enum.auto()
    CLIPPED = enum.auto()
    DARK = enum.auto()
    REFERENCE_LOST = enum.auto()
    LIQUID_LOST = enum.auto()
    CAMERA_MOVED = enum.auto()
    OFF_COLOUR = enum.auto()
    OUTLIER = enum.auto()
    SATURATED = enum.auto()
    DAMAGED = enum.auto()
    OTHER_LIGHT = enum.auto()
    REPEATED = enum.auto()


FLAG_TEXT: dict[Flag, tuple[str, str]] = {
    Flag.MIXING: (
        "The titrant was not yet mixed in.",
        "Wait a few seconds after each addition, or stir faster.",
    ),
    Flag.CLIPPED: (
        "The picture is too bright: a colour channel is at its upper limit.",
        "Lower the exposure until the white reference is just below white.",
    ),
    Flag.DARK: (
        "The picture is too dark to tell a colour.",
        "Add light, or use less indicator.",
    ),
    Flag.REFERENCE_LOST: (
        "The white reference beside the flask was covered.",
        "Keep hands and clamp away from the white tile.",
    ),
    Flag.LIQUID_LOST: (
        "The liquid was covered or out of the picture.",
        "Keep the flask in view.",
    ),
    Flag.CAMERA_MOVED: (
        "The camera or the flask was moved.",
        "Fix the camera and set the flask back on its mark.",
    ),
    Flag.OFF_COLOUR: (
        "The colour is not a mixture of the two forms of the indicator.",
        "Look for a hand, a shadow, turbidity or an interfering metal.",
    ),
    Flag.OUTLIER: (
        "The colour stands apart from its neighbours.",
        "Look at the frame: a drop, a bubble or a reflection is usual.",
    ),
    Flag.SATURATED: (
        "The photometer reads above its usable absorbance.",
        "Use less indicator, a shorter cell or another wavelength.",
    ),
    Flag.DAMAGED: (
        "The frame could not be decoded.",
        "Copy the recording again from the camera.",
    ),
    Flag.OTHER_LIGHT: (
        "The light, the exposure or the amount of indicator was another one than at the change.",
        "Leave lamp and camera alone while you titrate, and add no more indicator.",
    ),
    Flag.REPEATED: (
        "The frame repeats the colour of an older one: the film is strongly compressed.",
        "Film at a higher quality.",
    ),
}
