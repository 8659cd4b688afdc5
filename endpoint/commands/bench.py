"""The command that opens the bench: a local page that guides a titration."""

from __future__ import annotations

import contextlib
import datetime
import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    import socket

    from endpoint.bench.journal.open_run import OpenRun
    from endpoint.bench.web.hub import Hub
    from endpoint.bench.web.security import Keys
    from endpoint.bench.web.telephone import TelephoneFeed

_PORT, _LAST_PORT = 8765, 65535
_TELEPHONE = {"camera": "telephone"}
_SHOWN_OF_FINGERPRINT = 23
"""Signs of a fingerprint that are printed: eight pairs, 64 bits, which a person can compare."""
_BEFORE_SCANNING = """\
Telephone and computer must be in the same network. The telephone will warn that it does not know
the certificate: this program has just made it. Its SHA-256 fingerprint begins with
{start}. Go on if it is the same.
The telephone sends pictures of its camera, and films that you choose, to this computer, encrypted;
nothing else, and nothing goes back. The code works once."""


@click.command()
@click.option(
    "--camera",
    default="browser",
    metavar="browser|N|ADDRESS|FILM",
    help="Source of the pictures: the camera of the browser, camera number N of this computer, the "
    "address of a network camera (http:// or rtsp://), or a film (or its record, a .toml file with "
    "the readings), played as if it were live.",
)
@click.option("--port", type=click.IntRange(1024, 65535), default=_PORT, show_default=True)
@click.option(
    "--speed",
    type=click.FloatRange(0.1, 50.0),
    default=1.0,
    help="Speed at which a film is played; 2 is twice as fast.",
)
@click.option("--share", is_flag=True, help="Let others in this network watch; asks first.")
@click.option(
    "--telephone",
    is_flag=True,
    help="Film with a telephone: prints an address and a code for it to scan.",
)
@click.option("--journal", type=click.Path(path_type=Path), help="File of the journal.")
@click.option(
    "--certificates",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Folder of the certificates to choose from; by default certificates next to the journal.",
)
def bench(
    camera: str,
    port: int,
    speed: float,
    share: bool,
    telephone: bool,
    journal: Path | None,
    certificates: Path | None,
) -> None:
    """Guide a titration live, on a page of this computer.

    Open the printed address; it works once. The page needs no colour vision: words, shapes and
    positions say everything, and so do tones or speech if you switch them on.
    """
    from endpoint.bench.live.session import LiveSession
    from endpoint.bench.web.hub import BenchClock, Hub
    from endpoint.bench.web.security import Keys

    phone = _telephone(camera, port, journal) if telephone else None
    feed, form, details = _feed(camera) if phone is None else (phone.run, {}, _TELEPHONE)
    lan = _consent(port) if share else None
    keys = Keys(port, shared=lan is not None)
    kept = _journal(journal, details)
    session = LiveSession(
        today=datetime.date.today(),
        journal=kept,
        details=details,
        certificates=certificates or kept.journal.path.parent / "certificates",
    )
    session.form = form or session.form
    clock = BenchClock(1.0 if feed is None else speed)
    hub = Hub(session, clock, browser=feed is None)
    try:
        listener = listen(port, everywhere=lan is not None)
        names = ("127.0.0.1", "localhost", *(() if lan is None else (lan,)))
        hosts = tuple(f"{name}:{port}" for name in names)
        serve(hub, keys, hosts, listener, feed, lambda: _say(keys, port, lan, phone))
    finally:
        kept.close()


def _journal(path: Path | None, details: dict[str, str]) -> OpenRun:
    """Journal at a path, or where it usually is.

    Raises
    ------
    JournalProblem
        It cannot be opened, or another bench writes it.
    """
    from importlib.metadata import version

    from endpoint.bench.journal.export import default_journal
    from endpoint.bench.journal.journal import RunJournal
    from endpoint.bench.journal.open_run import OpenRun

    source = ", ".join(f"{name} {value}" for name, value in details.items())
    return OpenRun(
        RunJournal.open(path or default_journal()),
        datetime.date.today(),
        source=source,
        program=f"endpoint {version('endpoint-titration')}",
    )


def listen(port: int, *, everywhere: bool) -> socket.socket:
    """Take the port, on this computer only or in the whole network.

    Raises
    ------
    OutputProblem
        The port is taken.
    """
    import socket

    from endpoint.problems import OutputProblem

    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("0.0.0.0" if everywhere else "127.0.0.1", port))
    except OSError:
        listener.close()
        raise OutputProblem(
            f"Another program uses port {port}.", "Choose another port with --port."
        ) from None
    return listener


def serve(
    hub: Hub,
    keys: Keys,
    hosts: tuple[str, ...],
    listener: socket.socket,
    feed: Callable[[Hub], None] | None = None,
    ready: Callable[[], None] = lambda: None,
) -> None:
    """Serve until it is stopped; `ready` is called as soon as pages are answered."""
    import uvicorn

    from endpoint.bench.web.app import MAX_MESSAGE_BYTES, application
    from endpoint.bench.web.security import Patient
    from endpoint.files.screen import quiet_libraries

    class Telling(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            ready()

    faults = FaultsTold()
    log = logging.getLogger("uvicorn.error")
    log.addHandler(faults)
    config = uvicorn.Config(
        application(hub, keys, hosts),
        log_config=None,
        log_level="error",
        access_log=False,
        server_header=False,
        http=Patient,
        ws="websockets-sansio",
        ws_max_size=MAX_MESSAGE_BYTES,
        ws_per_message_deflate=False,
        limit_concurrency=64,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=16_384,
    )
    if feed is not None:
        threading.Thread(target=feed, args=(hub,), name="bench-feed", daemon=True).start()
    try:
        with quiet_libraries():
            Telling(config).run(sockets=[listener])
    finally:
        log.removeHandler(faults)


class FaultsTold(logging.Handler):
    """Tells of a fault in a task of the server as of one in a thread."""

    def emit(self, record: logging.LogRecord) -> None:
        """Hand an error on to `threading.excepthook`; print what has none."""
        error = record.exc_info[1] if record.exc_info else None
        if error is None:
            click.echo(record.getMessage(), err=True)
            return
        told = (type(error), error, error.__traceback__, None)
        threading.excepthook(threading.ExceptHookArgs(told))


def _feed(camera: str) -> tuple[Callable[[Hub], None] | None, dict[str, Any], dict[str, str]]:
    from endpoint.bench.web.feeds import CameraFeed, FilmFeed, recorded_run

    if camera == "browser":
        return None, {}, {"camera": "browser"}
    if camera.isdecimal():
        return CameraFeed(int(camera)).run, {}, {"camera": f"number {int(camera)}"}
    if "://" in camera:
        from endpoint.bench.web.network_camera import NetworkCamera, address_of

        address = address_of(camera)
        return NetworkCamera(address).run, {}, {"camera": f"network camera {address.shown}"}
    path = Path(camera)
    if path.suffix.lower() == ".toml":
        run = recorded_run(path)
        if run.left_out:
            click.echo(
                f"The bench does not use these parts of {path.name}: {', '.join(run.left_out)}.\n"
                f"To use the whole record: endpoint locate {path}"
            )
        return FilmFeed(run.source, run.rows, run.pump).run, run.form, {"film": path.name}
    from endpoint.problems import SourceProblem
    from endpoint.recording.film import VideoSource

    if not path.is_file():
        raise SourceProblem(
            f"There is no film {path.name}.",
            "Give --camera browser, a camera number such as 0, or a film.",
        )
    return FilmFeed(VideoSource(path)).run, {}, {"film": path.name}


def _telephone(camera: str, port: int, journal: Path | None) -> TelephoneFeed:
    """Server of the telephone's page, on the next port.

    Raises
    ------
    Problem
        Another camera was named too, this computer is in no network, or the port is taken.
    """
    from endpoint.bench.journal.export import default_journal
    from endpoint.bench.web.telephone import TelephoneFeed
    from endpoint.problems import RecordProblem

    if camera != "browser":
        raise RecordProblem(
            "--telephone and --camera each name a camera.", "Leave out one of the two."
        )
    address = _address_here()
    if address is None:
        raise RecordProblem(
            "This computer is not in a network, so no telephone can reach it.",
            "Join the network of the telephone, or leave out --telephone.",
        )
    listener = listen(port + 1 if port < _LAST_PORT else port - 1, everywhere=True)
    films = (journal or default_journal()).parent / "films"
    return TelephoneFeed((address,), listener, films, click.echo)


def _consent(port: int) -> str:
    """Ask whether others may look on; returns the address of this computer in the network."""
    from endpoint.problems import RecordProblem

    address = _address_here()
    if address is None:
        raise RecordProblem(
            "This computer is not in a network.", "Leave out --share, or join a network."
        )
    click.echo(
        f"Others in this network will be able to watch this run at http://{address}:{port},\n"
        "unencrypted, if they have the address with its token. They can watch, but not operate.\n"
        "They see the pictures of a camera of this computer, but not those of the browser's camera."
    )
    if click.prompt('Type "share" to allow it', default="", show_default=False) != "share":
        raise RecordProblem("You did not allow sharing.", "Start again without --share.")
    return address


def _address_here() -> str | None:
    """Address of this computer in its network, None without one; nothing is sent."""
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737, for documentation
            return str(probe.getsockname()[0])
        except OSError:
            return None


def _say(keys: Keys, port: int, lan: str | None, phone: TelephoneFeed | None) -> None:
    click.echo(f"The bench is at   http://127.0.0.1:{port}/?token={keys.operator_token}")
    click.echo("The address works once. Press Enter for a new one, or Ctrl-C to stop.")
    if lan is not None:
        click.echo(f"Viewers can open  http://{lan}:{port}/?token={keys.viewer_token}")
    if phone is not None:
        _say_telephone(phone)
        click.echo(_BEFORE_SCANNING.format(start=phone.fingerprint[:_SHOWN_OF_FINGERPRINT]))
    threading.Thread(target=_new_addresses, args=(keys, port, phone), daemon=True).start()


def _say_telephone(phone: TelephoneFeed) -> None:
    """A fresh address for the telephone, as a code if the terminal can show one."""
    import io

    import segno

    address = phone.address()
    click.echo(f"The telephone opens  {address}")
    code = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(code, compact=True)
    # A terminal without block characters still has the address.
    with contextlib.suppress(UnicodeEncodeError):
        click.echo(code.getvalue())


def _new_addresses(keys: Keys, port: int, phone: TelephoneFeed | None) -> None:
    import sys

    for _ in sys.stdin:
        click.echo(f"http://127.0.0.1:{port}/?token={keys.new_operator_token()}")
        if phone is not None:
            _say_telephone(phone)
