"""A telephone as the camera: one page of its own, over TLS, that sends pictures and films.

The telephone's page is served in the local network by a server of its own; the bench itself stays
on this computer. It hears nothing of the run: the answers only say that a picture or film came in.
Pictures go by POST, since some telephones refuse sockets under a certificate they do not know.
"""

from __future__ import annotations

import asyncio
import datetime
import shutil
import socket
import threading
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from calibration.problem import Problem
from endpoint.bench.web.app import NEEDS_TOKEN, fault, plain_error, static_files
from endpoint.bench.web.certificate import new_certificate
from endpoint.bench.web.feeds import FilmFeed
from endpoint.bench.web.hub import Hub, Page
from endpoint.bench.web.protocol import MAX_FRAME_BYTES, parse_picture
from endpoint.bench.web.security import Bucket, Guard, Keys
from endpoint.recording.film import VideoSource

MOST_FILM_BYTES = 4_000_000_000
"""Largest film, bytes: an hour of Full HD at 8 Mbit/s."""
_LEFT_FREE_BYTES = 1_000_000_000
"""What a film must leave free on the disk, bytes: journal and results still fit."""
_PICTURES_S, _PICTURES_AT_ONCE = 40.0, 60.0
_FILMS_S, _FILMS_AT_ONCE = 0.1, 3.0
"""Pictures and films that are taken, a second and at once. A camera sends 30 pictures."""
_STALLED_S = 20.0
"""Time without a byte after which a sending is given up, s. Assumed."""
_HEAD_BYTES = 12
_SERVED = ("telephone.js", "camera.js", "style.css", "telephone.css", "mark.svg")


class TelephoneFeed:
    """The server of the telephone's page; pictures and films go to the hub.

    Parameters
    ----------
    names:
        Addresses of this computer at which the page is served, the first one printed.
    listener:
        Bound socket of the server.
    films:
        Folder in which films are stored.
    say:
        Tells the terminal what came in.
    """

    def __init__(
        self,
        names: tuple[str, ...],
        listener: socket.socket,
        films: Path,
        say: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._listener, self._films, self._say = listener, films, say
        self._port = int(listener.getsockname()[1])
        self._names = names
        self.keys = Keys(self._port, one_device=True)
        self._certificate = new_certificate(names)
        self.fingerprint = self._certificate.fingerprint
        self.started = threading.Event()
        """Set as soon as the page is served."""
        self._page = Page(may_operate=False)
        self._pictures = Bucket(_PICTURES_S, _PICTURES_AT_ONCE)
        self._sent_films = Bucket(_FILMS_S, _FILMS_AT_ONCE)
        self._receiving = False
        self._film: tuple[threading.Event, threading.Thread] | None = None
        self._hub: Hub | None = None

    def address(self) -> str:
        """A fresh address; it works once, and the one before is void."""
        return f"https://{self._names[0]}:{self._port}/?token={self.keys.new_operator_token()}"

    def run(self, hub: Hub) -> None:
        """Serve until the hub stops."""
        self._hub = hub
        for broken in self._films.glob(".telephone-*.part"):
            broken.unlink(missing_ok=True)  # of a start that was killed
        asyncio.run(self._serve(hub))
        self._end_film()

    async def _serve(self, hub: Hub) -> None:
        hosts = tuple(f"{name}:{self._port}" for name in self._names)
        config = uvicorn.Config(
            Guard(self._application(), hosts, self._takes()),
            log_config=None,
            log_level="error",
            access_log=False,
            server_header=False,
            ws="none",
            lifespan="off",
            limit_concurrency=16,
            timeout_keep_alive=30,
            timeout_graceful_shutdown=2,
            h11_max_incomplete_event_size=16_384,
        )
        config.load()
        config.ssl = self._certificate.context
        server = uvicorn.Server(config)
        serving = asyncio.create_task(server.serve(sockets=[self._listener]))
        while not hub.stopping.is_set() and not serving.done():
            if server.started:
                self.started.set()
            await asyncio.sleep(0.1)
        server.should_exit = True
        await serving

    @staticmethod
    def _takes() -> dict[str, int]:
        return {"/picture": MAX_FRAME_BYTES, "/film": MOST_FILM_BYTES}

    def _application(self) -> Starlette:
        self._static = {name: static_files()[name] for name in _SERVED}
        self._html = static_files()["telephone.html"]
        return Starlette(
            routes=[
                Route("/", self._index, methods=["GET"]),
                Route("/static/{name}", self._file, methods=["GET"]),
                Route("/picture", self._take_picture, methods=["POST"]),
                Route("/film", self._take_film, methods=["POST"]),
            ],
            exception_handlers={HTTPException: plain_error, Exception: fault},
        )

    def _known(self, request: Request) -> bool:
        return self.keys.role(request.headers) is not None

    # Answers --------------------------------------------------------------------------------------

    async def _index(self, request: Request) -> Response:
        """The page, or a cookie for a token."""
        token = request.query_params.get("token")
        if token is None:
            if not self._known(request):
                return PlainTextResponse(NEEDS_TOKEN, 403)
            body, kind = self._html
            return Response(body, media_type=kind)
        cookie = self.keys.redeem(token)
        if cookie is None:
            return PlainTextResponse(NEEDS_TOKEN, 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            self.keys.cookie_name, cookie, httponly=True, samesite="strict", secure=True, path="/"
        )
        return answer

    async def _file(self, request: Request) -> Response:
        if not self._known(request):
            return PlainTextResponse(NEEDS_TOKEN, 403)
        found = self._static.get(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        return Response(found[0], media_type=found[1])

    async def _take_picture(self, request: Request) -> Response:
        """A picture of the telephone's camera; the newest one is measured."""
        assert self._hub is not None
        if not self._known(request):
            return PlainTextResponse(NEEDS_TOKEN, 403)
        if not self._pictures.take():
            return _told("The telephone sends too many pictures.", 429)
        if self._film is not None:
            if self._hub.session.phase == "titrating":
                return _told("A film is being played. Finish its run first.", 409)
            await asyncio.to_thread(self._end_film)
        parts = bytearray()
        try:
            async for part in _bounded(request):
                parts += part
            self._hub.picture(self._page, parse_picture(bytes(parts)))
        except (TimeoutError, ClientDisconnect):
            return _told("The picture broke off.", 400)
        except Problem as problem:
            return _told(str(problem), 400)
        return _told(self._heard(), 200)

    def _heard(self) -> str:
        """What the measuring said of earlier pictures; empty if all was well."""
        said = ""
        while self._page.answers:
            answer = self._page.answers.popleft()
            said = f"{answer['text']} {answer['advice']}" if "text" in answer else ""
        return said

    async def _take_film(self, request: Request) -> Response:
        """A film: stored, checked, and played if no run is in progress."""
        if not self._known(request):
            return PlainTextResponse(NEEDS_TOKEN, 403)
        if self._receiving or not self._sent_films.take():
            return _told("The computer is still busy with a film. Try again in a minute.", 429)
        self._receiving = True
        try:
            return await self._receive(request)
        except (TimeoutError, ClientDisconnect):
            return _told("The film broke off. Send it again.", 400)
        except OSError:
            return _told("The computer cannot store the film. Free some space on its disk.", 507)
        except Problem as problem:
            return _told(str(problem), 422)
        finally:
            self._receiving = False

    async def _receive(self, request: Request) -> Response:
        length = int(request.headers.get("content-length", "0"))
        self._films.mkdir(parents=True, exist_ok=True)
        if shutil.disk_usage(self._films).free < length + _LEFT_FREE_BYTES:
            return _told("The disk of the computer has no room for this film.", 507)
        stamp = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
        path = self._films / f".telephone-{stamp}.part"
        try:
            with path.open("xb") as file:
                async for part in _bounded(request):
                    await asyncio.to_thread(file.write, part)
            kept = path.with_name(f"telephone-{stamp}{_suffix(path)}")
            source = await asyncio.to_thread(_opened, path, kept)
        finally:
            path.unlink(missing_ok=True)
        return _told(await asyncio.to_thread(self._play, source), 200)

    # A film that is played ------------------------------------------------------------------------

    def _play(self, source: VideoSource) -> str:
        """Play a stored film at the bench, if it is free; returns what to say."""
        assert self._hub is not None
        path = source.path
        self._say(
            f"A film came from the telephone: {path}\nTo analyse it with its readings: "
            f"endpoint locate {path} --volumes VOLUMES.csv --sample-ml 100 --titrant 0.01"
        )
        if self._hub.session.phase != "set-up":
            source.close()
            return f"The film is stored as {path.name}. A run is in progress: it is not played."
        self._end_film()
        stop = threading.Event()
        thread = threading.Thread(
            target=FilmFeed(source).run, args=(self._hub, stop), name="bench-film", daemon=True
        )
        self._film = (stop, thread)
        thread.start()
        return f"The film is stored as {path.name}, and the bench shows it."

    def _end_film(self) -> None:
        film, self._film = self._film, None
        if film is not None:
            film[0].set()
            film[1].join(5.0)


async def _bounded(request: Request) -> AsyncIterator[bytes]:
    """What a request brings, part by part; the guard has checked how much it is.

    Raises
    ------
    TimeoutError
        Nothing came for 20 s.
    """
    stream = request.stream()
    while True:
        try:
            part = await asyncio.wait_for(anext(stream), _STALLED_S)
        except StopAsyncIteration:
            return
        yield part


def _told(text: str, status: int) -> Response:
    return JSONResponse({"text": text}, status)


def _suffix(path: Path) -> str:
    """Ending of a film by its first bytes: MP4 or QuickTime, Matroska or WebM; else ".film"."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    if head[4:8] in (b"ftyp", b"wide", b"mdat", b"moov"):
        return ".mp4"
    return ".mkv" if head[:4] == b"\x1aE\xdf\xa3" else ".film"


def _opened(part: Path, kept: Path) -> VideoSource:
    """The film under its name; it is only kept if it can be read.

    Raises
    ------
    SourceProblem
        It is not a film.
    """
    VideoSource(part).close()
    part.rename(kept)
    return VideoSource(kept)
