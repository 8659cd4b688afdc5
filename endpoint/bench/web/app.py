"""The local server: a handful of fixed files, one result, one socket. Nothing can be uploaded."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp
from starlette.websockets import WebSocket, WebSocketDisconnect

from calibration.problem import Problem
from endpoint.bench.web.dichromacy import MATRICES
from endpoint.bench.web.hub import Hub, Page
from endpoint.bench.web.papers import REPORTS
from endpoint.bench.web.protocol import (
    MAX_FRAME_BYTES,
    MAX_TEXT_BYTES,
    parse_command,
    parse_picture,
)
from endpoint.bench.web.security import OPERATOR, REPORT_POLICY, Bucket, Guard, Keys

MAX_MESSAGE_BYTES = MAX_FRAME_BYTES + 4096
"""Bytes of a message: a picture and its head."""
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".txt": "text/plain; charset=utf-8",
    ".svg": "image/svg+xml",
}
_FRAMES_S, _FRAMES_AT_ONCE = 40.0, 60.0
_COMMANDS_S, _COMMANDS_AT_ONCE = 15.0, 150.0
_BAD_S, _BAD_AT_ONCE = 1.0, 20.0
"""A second, and at once: pictures, commands and faulty messages of one page before it is cut off. A
camera sends 30 and a person far less than 15, but a program may enter all readings of a titration
at once; a page that is out of date sends a few faulty ones. Assumed."""
NEEDS_TOKEN = "This page needs the whole address that the terminal printed; each works once.\n"
"""Answer to a request without a good cookie."""


def static_files() -> dict[str, tuple[bytes, str]]:
    """Files of the page by name, read once: no name from outside reaches the disk."""
    root = files("endpoint.bench.web") / "static"
    found: dict[str, tuple[bytes, str]] = {}
    for folder, prefix in ((root, ""), (root.joinpath("vendor"), "vendor/")):
        for item in folder.iterdir():
            suffix = "." + item.name.rpartition(".")[2]
            if item.is_file() and suffix in _TYPES:
                found[prefix + item.name] = (item.read_bytes(), _TYPES[suffix])
    return found


def application(hub: Hub, keys: Keys, hosts: tuple[str, ...]) -> ASGIApp:
    """The guarded application.

    Parameters
    ----------
    hub:
        Session and pages.
    keys:
        Secrets of this start.
    hosts:
        Host headers that are served, such as "127.0.0.1:8765".
    """
    served = _Served(hub, keys)

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        hub.start()
        yield
        await hub.stop()

    routes = [
        Route("/", served.index, methods=["GET"]),
        Route("/static/{name:path}", served.known(served.static), methods=["GET"]),
        Route("/result.json", served.known(served.result), methods=["GET"]),
        *(
            Route(f"/{name}", served.known(served.report(name)), methods=["GET"])
            for name in REPORTS
        ),
        Route("/vision.json", served.known(served.matrices), methods=["GET"]),
        WebSocketRoute("/bench", served.bench),
    ]
    app = Starlette(
        routes=routes,
        lifespan=lifespan,
        exception_handlers={HTTPException: plain_error, Exception: fault},
    )
    return Guard(app, hosts)


_Answer = Callable[[Request], Awaitable[Response]]


class _Served:
    """What each address answers."""

    def __init__(self, hub: Hub, keys: Keys) -> None:
        self._hub, self._keys, self._files = hub, keys, static_files()

    def known(self, answer: _Answer) -> _Answer:
        """The answer, for those who have a good cookie only."""

        async def guarded(request: Request) -> Response:
            if self._keys.role(request.headers) is None:
                return PlainTextResponse(NEEDS_TOKEN, 403)
            return await answer(request)

        return guarded

    async def index(self, request: Request) -> Response:
        """The page, or a cookie for a token."""
        token = request.query_params.get("token")
        if token is None:
            return await self.known(self._page)(request)
        cookie = self._keys.redeem(token)
        if cookie is None:
            return PlainTextResponse(NEEDS_TOKEN, 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            self._keys.cookie_name, cookie, httponly=True, samesite="strict", path="/"
        )
        return answer

    async def _page(self, _: Request) -> Response:
        return self._file("index.html")

    def _file(self, name: str) -> Response:
        body, kind = self._files[name]
        return Response(body, media_type=kind)

    async def static(self, request: Request) -> Response:
        """A file of the page."""
        name = request.path_params["name"]
        if name not in self._files or name.endswith(".html"):
            raise HTTPException(404)
        return self._file(name)

    async def result(self, request: Request) -> Response:
        """Document of the run; viewers get it once no question to the class is open."""
        if self._hub.session.classroom.asked and self._keys.role(request.headers) != OPERATOR:
            return JSONResponse({"text": "Answer the question first."}, 404)
        document = self._hub.session.document
        if document is None:
            return JSONResponse({"text": "There is no result yet."}, 404)
        return JSONResponse(document)

    def report(self, name: str) -> _Answer:
        """Report on the run whose result is shown, as page or PDF."""

        async def answer(_: Request) -> Response:
            try:
                data = await asyncio.to_thread(self._hub.papers.report, name)
            except Problem as problem:
                return PlainTextResponse(f"{problem}\n", 404)
            policy = {"content-security-policy": REPORT_POLICY}
            return Response(data, media_type=REPORTS[name], headers=policy)

        return answer

    async def matrices(self, _: Request) -> Response:
        """Matrices of the preview of colour vision."""
        return JSONResponse(MATRICES)

    async def bench(self, socket: WebSocket) -> None:
        """The socket of a page."""
        role = self._keys.role(socket.headers)
        known = socket.query_params.get("start", "")
        page = None if role is None else self._hub.join(role == OPERATOR, known)
        if page is None:
            await socket.close(1008)
            return
        try:
            await socket.accept()
            await _serve(socket, self._hub, page)
        finally:
            self._hub.leave(page)


async def plain_error(_: Request, error: Exception) -> Response:
    """Answer to what is not served."""
    status = error.status_code if isinstance(error, HTTPException) else 500
    words = {404: "There is nothing here.", 405: "This address can only be read."}
    return PlainTextResponse(words.get(status, "The bench cannot do this.") + "\n", status)


async def fault(_: Request, __: Exception) -> Response:
    """Answer where the server itself failed."""
    return PlainTextResponse("Something went wrong at the bench. Load the page again.\n", 500)


async def _serve(socket: WebSocket, hub: Hub, page: Page) -> None:
    """Read and write at once until one of them ends."""
    tasks = [
        asyncio.create_task(_read(socket, hub, page)),
        asyncio.create_task(_write(socket, hub, page)),
    ]
    done, pending = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    for task in pending:
        task.cancel()
    await asyncio.gather(*pending, return_exceptions=True)
    for task in done:
        error = task.exception()
        if error is not None and not isinstance(error, WebSocketDisconnect | RuntimeError):
            raise error
    with contextlib.suppress(RuntimeError, WebSocketDisconnect):
        await socket.close(1008)


async def _read(socket: WebSocket, hub: Hub, page: Page) -> None:
    frames = Bucket(_FRAMES_S, _FRAMES_AT_ONCE)
    commands = Bucket(_COMMANDS_S, _COMMANDS_AT_ONCE)
    bad = Bucket(_BAD_S, _BAD_AT_ONCE)
    while True:
        message = await socket.receive()
        if message["type"] == "websocket.disconnect":
            return
        data, text = message.get("bytes"), message.get("text")
        if not (frames if data is not None else commands).take():
            return
        try:
            if data is not None:
                if not (page.operator and hub.browser):
                    continue
                hub.picture(page, parse_picture(data))
            else:
                await asyncio.to_thread(_command, hub, page, text or "")
        except Problem as problem:
            page.answers.append(
                {
                    "say": "refused",
                    "text": problem.sentence,
                    "advice": problem.remedy,
                    "code": problem.code,
                    "field": problem.field,
                }
            )
            page.wake.set()
            if problem.code == "message" and not bad.take():
                return


def _command(hub: Hub, page: Page, text: str) -> None:
    if len(text.encode("utf-8", "replace")) > 4 * MAX_TEXT_BYTES:
        text = text[: MAX_TEXT_BYTES + 1]
    command = parse_command(text)
    hub.command(page, command)
    # The page hears that it is done no later than it sees what came of it.
    page.answers.append({"say": "done", "do": command.do})
    hub.changed()


async def _write(socket: WebSocket, hub: Hub, page: Page) -> None:
    while True:
        await page.wake.wait()
        page.wake.clear()
        for message in await asyncio.to_thread(hub.messages, page):
            if isinstance(message, bytes):
                await socket.send_bytes(message)
            else:
                await socket.send_text(_text(message))


def _text(message: dict[str, Any]) -> str:
    return json.dumps(message, allow_nan=False, ensure_ascii=False)
