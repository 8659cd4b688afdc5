"""Standard output that takes whatever the program says: any sign, any encoding, or none at all."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from calibration.wording import STEERING
from endpoint.problems import OutputProblem


class _Screen:
    """A stream that shows "?" for what would steer a terminal or what its encoding does not have.

    A program that reads on may end early: that stays a `BrokenPipeError`. Everything else that
    the system refuses is an `OutputProblem`.
    """

    def __init__(self, stream: Any) -> None:
        self._stream = stream
        self._signs = getattr(stream, "encoding", None) or "utf-8"

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":  # nothing gets past the check
            raise AttributeError(name)
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Write a text and return its length."""
        shown = STEERING.sub("?", text).encode(self._signs, "replace").decode(self._signs)
        if shown:
            with self._told():
                self._stream.write(shown)
        return len(text)

    def flush(self) -> None:
        """Hand on what waits."""
        with self._told():
            self._stream.flush()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            # What could not be written must not be tried again when Python ends.
            with suppress(OSError):
                self._stream.close()
            if isinstance(error, BrokenPipeError):
                raise
            raise OutputProblem(
                f"Standard output cannot be written ({error.strerror}).",
                "Free some space there, or write to another file.",
            ) from None


def _nowhere() -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(), encoding="utf-8")


@contextmanager
def guarded_output() -> Iterator[None]:
    """Let standard output be such a stream meanwhile; one that is closed swallows everything."""
    before = sys.stdout
    sys.stdout = _Screen(_nowhere() if before is None else before)
    try:
        yield
        sys.stdout.flush()
    finally:
        sys.stdout = before


@contextmanager
def quiet_libraries() -> Iterator[None]:
    """Let libraries in C, which write to standard error by themselves, write to nowhere meanwhile.

    What Python writes to standard error still comes there.
    """
    before = sys.stderr
    try:
        kept = os.dup(2)
    except OSError:  # there is no standard error
        yield
        return
    try:
        if before is sys.__stderr__ and before is not None:
            sys.stderr = os.fdopen(
                os.dup(kept), "w", 1, encoding=before.encoding, errors=before.errors
            )
        with open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        if sys.stderr is not before and sys.stderr is not None:
            sys.stderr.close()
        sys.stderr = before
