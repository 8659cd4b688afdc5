"""The HTTP routes of the bench as an OpenAPI text, and requests that a machine makes up from it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.bench.web.test_security import ask, cookie_of
from tests.bench_server import Bench, serving
from tests.waiting import PATIENCE_S


def _text(*kinds: str) -> dict[str, Any]:
    return {kind: {"schema": {"type": "string"}} for kind in kinds}


def _answers(*codes: int, **content: Any) -> dict[str, Any]:
    plain = {"text/plain": {"schema": {"type": "string"}}}
    return {str(code): {"description": "", "content": content.get(f"c{code}", plain)}
            for code in codes}  # fmt: skip


MATRIX = {"type": "array", "items": {"type": "array", "items": {"type": "number"}}}
ROUTES: dict[str, Any] = {
    "openapi": "3.0.3",
    "info": {"title": "endpoint bench", "version": "1"},
    "components": {
        "securitySchemes": {"cookie": {"type": "apiKey", "in": "cookie", "name": "bench"}}
    },
    "paths": {
        "/": {
            "get": {
                "parameters": [{"name": "token", "in": "query", "schema": {"type": "string"}}],
                "responses": _answers(200, 303, 400, 403, c200=_text("text/html")),
            }
        },
        "/static/{name}": {
            "get": {
                "parameters": [
                    {
                        "name": "name",
                        "in": "path",
                        "required": True,
                        "schema": {
                            "anyOf": [
                                {"type": "string"},
                                {"enum": ["app.js", "style.css", "mark.svg", "index.html"]},
                            ]
                        },
                    }
                ],
                "responses": _answers(
                    200, 400, 403, 404, c200=_text("text/javascript", "text/css", "image/svg+xml")
                ),
            }
        },
        "/result.json": {
            "get": {
                "responses": _answers(
                    200,
                    400,
                    403,
                    404,
                    c200={"application/json": {"schema": {"type": "object"}}},
                    c404={
                        "application/json": {
                            "schema": {
                                "type": "object",
                                "required": ["text"],
                                "properties": {"text": {"type": "string"}},
                            }
                        }
                    },
                )
            }
        },
        "/report.html": {
            "get": {"responses": _answers(200, 400, 403, 404, c200=_text("text/html"))}
        },
        "/report.pdf": {
            "get": {"responses": _answers(200, 400, 403, 404, c200=_text("application/pdf"))}
        },
        "/vision.json": {
            "get": {
                "responses": _answers(
                    200,
                    400,
                    403,
                    c200={
                        "application/json": {
                            "schema": {
                                "type": "object",
                                "required": ["protan", "deutan", "tritan"],
                                "additionalProperties": MATRIX,
                            }
                        }
                    },
                )
            }
        },
        "/bench": {"get": {"responses": _answers(400, 403, 404, 426)}},
    },
}
"""Every route; `/bench` is a WebSocket, which a plain request does not open."""
CHECKED = (
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_schema_conformance",
)


@cache
def _operations() -> dict[str, Any]:
    """What the library makes of the text, by path; to import it takes most of a second."""
    from schemathesis import openapi

    found: list[Any] = list(openapi.from_dict(ROUTES).get_all_operations())
    return {operation.ok().path: operation.ok() for operation in found}


@cache
def _checks() -> list[Any]:
    from schemathesis import checks

    checks.load_all_checks()
    return [checks.CHECKS.get_one(name) for name in CHECKED]


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with serving() as running:
        yield running


def test_every_route_stands_in_the_text(bench: Bench) -> None:
    """The text and the server know the same routes."""
    from starlette.applications import Starlette

    from endpoint.bench.web.app import application

    guard: Any = application(bench.hub, bench.keys, ())
    app = guard._app
    assert isinstance(app, Starlette)
    served = {getattr(route, "path", "").replace(":path", "") for route in app.routes}
    assert served == set(ROUTES["paths"])


@pytest.mark.parametrize("signed", [True, False], ids=["cookie", "no-cookie"])
@pytest.mark.parametrize("path", list(ROUTES["paths"]))
def test_requests_made_from_the_text_are_answered_as_it_says(
    bench: Bench, path: str, signed: bool
) -> None:
    from schemathesis import GenerationMode

    operation = _operations()[path]
    cookie = cookie_of(bench) if signed else ""
    seen: set[int] = set()

    @given(
        st.one_of(
            operation.as_strategy(generation_mode=GenerationMode.POSITIVE),
            operation.as_strategy(generation_mode=GenerationMode.NEGATIVE),
        )
    )
    @settings(
        max_examples=25,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def run(case: Any) -> None:
        headers = {"Cookie": cookie} if cookie else {}
        answer = case.call(
            base_url=bench.root, headers=headers, allow_redirects=False, timeout=PATIENCE_S
        )
        case.validate_response(answer, checks=_checks())
        seen.add(answer.status_code)
        assert "Traceback" not in answer.text

    run()
    assert seen
    if not signed:
        assert 200 not in seen, "something is told without the cookie"
    assert ask(bench, "/", cookie=cookie_of(bench))[0] == 200
