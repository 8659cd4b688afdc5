"""One file written whole or not at all."""

from __future__ import annotations

import os
import secrets
import stat
from contextlib import suppress
from pathlib import Path

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0)
_BYTES_AS_THEY_ARE = getattr(os, "O_BINARY", 0)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file: an older one of that name stays until the new one is complete.

    The file behind a link is written, the link stays. A device or a pipe is written to, as it is
    not a file that could be replaced.

    Raises
    ------
    OSError
        It cannot be written; then nothing of it is left.
    """
    if is_special(path):
        with open(path, "wb") as device:
            device.write(data)
        return
    target = Path(os.path.realpath(path))
    # A name that nobody can guess, made anew: no link that lies there is followed.
    part = target.with_name(f".endpoint-{secrets.token_hex(8)}.part")
    try:
        with open(os.open(part, _NEW | _BYTES_AS_THEY_ARE, 0o666), "wb") as file:
            file.write(data)
        os.replace(part, target)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def is_special(path: Path) -> bool:
    """Whether something stands there that is neither a file nor a folder: a device or a pipe."""
    try:
        mode = os.stat(path).st_mode
    except OSError:
        return False
    return not stat.S_ISREG(mode) and not stat.S_ISDIR(mode)
