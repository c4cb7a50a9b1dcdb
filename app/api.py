"""The HTTP API for programs: ``POST /v1/identify``, ``GET /v1/schema``, ``GET /healthz``; described in OpenAPI.

The answer is the same JSON as ``updraft-key identify --json`` (schema ``updraft-key/answer/1``).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib.resources import files
from pathlib import PurePosixPath
from typing import Annotated, Any, Literal

import anyio.to_thread
from fastapi import APIRouter, FastAPI, File, Form, Request, UploadFile
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from updraft_key.model.answer import SCHEMA, PhotoAnswer
from updraft_key.model.errors import EvidenceError, PhotoError

from .clerk import Clerk
from .desk import MAX_PHOTOS
from .engine import ReadPhoto, Told, hand_tests
from .gate import client_of
from .turnstile import BusyError, Turnstile
from .words import plain_name

Manifold = Literal["plain", "ported"]
Arrester = Literal["iron", "alloy", "none"]
Wanted = Literal["iron", "alloy4", "alloy5"]


class Fault(BaseModel):
    """What went wrong."""

    code: str = Field(description="stable word, such as too_large, busy, hand_test")
    message: str = Field(description="one sentence: what was expected, what came, what to do")


class Refused(BaseModel):
    """Body of every response that is not an answer."""

    error: Fault


class Health(BaseModel):
    """The server lives; ``schema_id`` is the schema of its answers."""

    status: Literal["ok"]
    schema_id: str


def _refused(text: str) -> dict[str, Any]:
    return {"model": Refused, "description": text}


REFUSALS: dict[int | str, dict[str, Any]] = {
    400: _refused("a hand test or word that is not known, or a body that is not a form"),
    401: _refused("the server has a token and the request has none, or another"),
    403: _refused("sent from another web site"),
    408: _refused("the body arrived too slowly"),
    413: _refused("more bytes or photos than the limit"),
    421: _refused("sent to a name that this server does not answer to"),
    422: _refused("a field of the wrong kind"),
    429: _refused("too many requests from one address; Retry-After says when to come again"),
    503: _refused("busy; Retry-After says when to come again"),
}


def add_api(app: FastAPI, clerk: Clerk, turnstile: Turnstile) -> None:
    """Add the API's routes and its error bodies to ``app``."""
    router = APIRouter()

    @router.post(
        "/v1/identify",
        responses={**REFUSALS, 200: {"description": f"the answer, schema {SCHEMA} (GET /v1/schema)"}},
        summary="Answer one question about one carburetor",
        tags=["identify"],
    )
    async def identify(
        request: Request,
        photos: Annotated[
            list[UploadFile] | None,
            File(description=f"up to {MAX_PHOTOS} photos of one unit: JPEG, PNG, WebP or HEIC, 25 MB each"),
        ] = None,
        hand: Annotated[
            list[str] | None,
            Form(description="hand tests as TEST=WORD, such as magnet=holds, ear=bare, screws=5, weigh=890/320"),
        ] = None,
        manifold: Annotated[Manifold | None, Form(description="for the fit plan")] = None,
        arrester: Annotated[Arrester | None, Form(description="what its housing was made for")] = None,
        wanted: Annotated[Wanted | None, Form(description="generation to be fitted")] = None,
    ) -> dict[str, Any]:
        """Photos and hand tests in, the whole answer out. A photo that cannot be used is listed with its reason.

        Nothing is kept. Send at least one photo or one hand test.
        """
        sent = photos or []
        if len(sent) > MAX_PHOTOS:
            raise HTTPException(413, f"expected at most {MAX_PHOTOS} photos, got {len(sent)}")
        told = Told(_hand(hand or ()), manifold, arrester, wanted)
        hand_tests(told.hand)  # refuse a wrong word before any photo is read
        if not sent and not told.hand:
            raise HTTPException(400, "expected at least one photo or one hand test, got neither")
        async with turnstile.enter(client_of(request.scope)):
            read = [await anyio.to_thread.run_sync(_read, clerk, _label(p), await p.read()) for p in sent]
            answer = await anyio.to_thread.run_sync(clerk.engine.decide, read, told)
        return answer.to_json()

    @router.get("/v1/schema", summary="JSON Schema of the answer", tags=["identify"])
    async def schema() -> dict[str, Any]:
        """The JSON Schema (draft 2020-12) that every answer of ``/v1/identify`` keeps to."""
        text = files("updraft_key.model").joinpath("answer.schema.json").read_text("utf-8")
        found: dict[str, Any] = json.loads(text)
        return found

    @router.get("/healthz", summary="Is the server alive", tags=["server"])
    async def healthz() -> Health:
        """Answers while the server lives; needs no token."""
        return Health(status="ok", schema_id=SCHEMA)

    app.include_router(router)
    app.add_exception_handler(HTTPException, _on_http)
    app.add_exception_handler(RequestValidationError, _on_validation)
    app.add_exception_handler(EvidenceError, _on_evidence)
    app.add_exception_handler(BusyError, _on_busy)


def _hand(rows: Sequence[str]) -> dict[str, str]:
    out: dict[str, str] = {}
    for row in rows:
        test, sep, word = row.partition("=")
        if not sep or not test.strip() or not word.strip():
            raise EvidenceError("hand: expected TEST=WORD such as magnet=holds")
        out[test.strip()] = word.strip()
    return out


def _label(photo: UploadFile) -> str:
    return plain_name(PurePosixPath((photo.filename or "photo").replace("\\", "/")).name, 200)


def _read(clerk: Clerk, label: str, data: bytes) -> ReadPhoto:
    try:
        return clerk.engine.read(label, clerk.guard.open(data))
    except PhotoError as error:
        return ReadPhoto(PhotoAnswer(label, "", 0, 0, False, error=str(error)))


def _body(status: int, code: str, message: str, retry: int = 0) -> JSONResponse:
    fault = Refused(error=Fault(code=code, message=message))
    return JSONResponse(fault.model_dump(), status, {"Retry-After": str(retry)} if retry else None)


CODES = {400: "bad_request", 404: "not_found", 405: "method", 413: "too_large", 415: "media_type"}


async def _on_http(_request: Request, error: Exception) -> JSONResponse:
    status = error.status_code if isinstance(error, HTTPException) else 500
    said = str(error.detail) if isinstance(error, HTTPException) else "the server made a mistake"
    answer = _body(status, CODES.get(status, "refused"), said)
    if isinstance(error, HTTPException) and error.headers:
        answer.headers.update(error.headers)
    return answer


async def _on_validation(_request: Request, error: Exception) -> JSONResponse:
    rows = error.errors() if isinstance(error, RequestValidationError) else []
    # The input is not echoed: it is a stranger's text.
    said = "; ".join(f"{'.'.join(str(p) for p in r['loc'][1:])}: {r['msg']}" for r in rows[:5])
    return _body(422, "field", said or "a field of the wrong kind")


async def _on_evidence(_request: Request, error: Exception) -> JSONResponse:
    return _body(400, "hand_test", str(error))


async def _on_busy(_request: Request, error: Exception) -> JSONResponse:
    return _body(503, "busy", str(error), retry=5)
