"""The web server: the page and the HTTP API behind one gate, closed by default.

It listens on this machine only unless a token is set, serves no file but its own, keeps uploads in memory until they
are read, and reports to nobody.
"""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from types import FrameType

from fastapi import FastAPI
from fastapi.responses import FileResponse, JSONResponse, Response
from updraft_key.model.errors import MissingExtra, UpdraftKeyError
from updraft_key.model.photo import Limits

from .api import add_api
from .clerk import Clerk
from .confine import give_back
from .desk import Desk, Desks
from .engine import Engine, IdentifierEngine
from .gate import LOOPBACK, Gate, GateRules
from .guard import Guard, GuardLimits
from .guide import EXAMPLES, captions
from .headers import Headers
from .private_folder import private_folder
from .turnstile import Turnstile
from .uploads import Uploads, add_upload

TIDY_S = 30.0
"""Seconds between two times that memory let go is given back to the system."""
ASSETS = Path(__file__).parent / "assets"
PAGE_SCRIPT = ASSETS / "page.js"
PICTURE_TYPES = {".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}


@dataclass(frozen=True, slots=True)
class ServerSettings:
    """How the server runs.

    Attributes:
        host: address to listen on; anything but this machine needs ``token``.
        port: TCP port.
        token: people and programs must give it (``Authorization: Bearer``, or the sign-in form); None for none.
        hosts: further names under which the server is reached, as in ``boat.local``.
        workers: photos read at the same time.
        waiting: further questions kept in line; more are told to come again.
        each: questions of one client in work or in line.
        per_minute: requests of one client.
        costly_per_minute: of those, uploads, questions and reports.
        body_bytes: of one request.
        root_path: prefix under which a reverse proxy shows the server, such as ``/key``.
        cases: SQLite file or database URL where answers can be kept; every visitor then sees every case. None for none.
        behind_proxy: believe the proxy on this machine about the client's address (``X-Forwarded-For``).
    """

    host: str = "127.0.0.1"
    port: int = 8765
    token: str | None = None
    hosts: tuple[str, ...] = ()
    workers: int = 2
    waiting: int = 32
    each: int = 6
    per_minute: int = 1200
    costly_per_minute: int = 120
    body_bytes: int = 100_000_000
    root_path: str = ""
    behind_proxy: bool = False
    cases: str | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.port <= 65535:
            raise UpdraftKeyError(f"--port: expected 0 to 65535, got {self.port}")
        if min(self.workers, self.each, self.per_minute, self.costly_per_minute, self.body_bytes) < 1:
            raise UpdraftKeyError("server settings: expected numbers of one or more")
        if self.token is not None and len(self.token) < 16:
            raise UpdraftKeyError("--token: expected 16 characters or more, so that it cannot be guessed")
        if not is_loopback(self.host) and self.token is None:
            raise UpdraftKeyError(
                f"--host {self.host} would open the page to the network: set a token as well (--token, 16 characters "
                "or more), or listen on 127.0.0.1"
            )

    def rules(self) -> GateRules:
        """What the gate holds to. Reached from the network, any name will do: the token guards it."""
        named = (*LOOPBACK, *self.hosts) if is_loopback(self.host) or self.hosts else ()
        return GateRules(
            named, self.token, self.per_minute, self.costly_per_minute, self.body_bytes, drawing=self.cases is not None
        )  # fmt: skip


def is_loopback(host: str) -> bool:
    """Whether an address is reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def create_app(settings: ServerSettings | None = None, engine: Engine | None = None) -> FastAPI:
    """Build the whole server; nothing listens yet.

    Raises:
        UpdraftKeyError: if the environment asks for a public share link.
        MissingExtra: if gradio is not installed.
    """
    settings = settings or ServerSettings()
    _check_environment()
    os.environ["GRADIO_TEMP_DIR"] = str(private_folder())
    try:
        import gradio as gr
        from PIL import Image

        from .web import build, theme
    except ImportError as error:
        raise MissingExtra("the page", "web") from error
    from pillow_heif import register_heif_opener

    # Gradio opens uploads too; without this it would turn away what phones write.
    register_heif_opener(thumbnails=False, depth_images=False, aux_images=False)
    Image.MAX_IMAGE_PIXELS = 105_000_000

    limits = Limits()
    store = None
    if settings.cases is not None:
        from .store import Store

        store = Store(settings.cases)
    guard = Guard(GuardLimits(workers=settings.workers), limits)
    clerk = Clerk(engine or IdentifierEngine(), guard, Desks())

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        tidying = asyncio.create_task(_stay_small())
        yield
        tidying.cancel()
        guard.close()
        if store is not None:
            store.close()

    app = FastAPI(
        title="Updraft Key", version="1", docs_url=None, redoc_url=None, lifespan=lifespan,
        description="From photos and hand tests to the generation of an updraft carburetor. It can be wrong.",
    )  # fmt: skip
    add_api(app, clerk, Turnstile(settings.workers, settings.waiting, settings.each))
    _add_files(app, clerk)
    uploads = Uploads()
    add_upload(app, uploads, limits.max_bytes, settings.body_bytes)
    from updraft_key.model.hands import question

    blocks = build(clerk, question, workers=settings.workers, uploads=uploads, store=store)
    blocks.queue(max_size=settings.waiting, default_concurrency_limit=settings.workers, api_open=False)
    gr.mount_gradio_app(
        app, blocks, path="/", footer_links=[], run_history=False, show_error=False, enable_monitoring=False,
        max_file_size=limits.max_bytes, ssr_mode=False, pwa=False, mcp_server=False, root_path=settings.root_path,
        allowed_paths=[], favicon_path=str(ASSETS / "favicon.svg"), theme=theme(), css_paths=[ASSETS / "style.css"],
        head='<script src="page.js" defer></script><meta name="color-scheme" content="light dark">',
    )  # fmt: skip
    # A mounted page counts as "not launched", and then the framework does not check that a file named in a request
    # was uploaded at all: any picture of this machine could be copied in and read (tests: forged page events).
    blocks.has_launched = True
    app.add_middleware(Gate, rules=settings.rules())
    app.add_middleware(Headers)
    return app


def serve(settings: ServerSettings | None = None, engine: Engine | None = None) -> None:
    """Run the server until it is stopped. The working directory becomes an empty private folder.

    Raises:
        UpdraftKeyError: as ``create_app``.
        MissingExtra: if gradio or uvicorn is not installed.
    """
    settings = settings or ServerSettings()
    try:
        import uvicorn
    except ImportError as error:
        raise MissingExtra("the page", "web") from error
    app = create_app(settings, engine)
    # The framework shows files of the working directory under some settings; there shall be none.
    empty = Path(os.environ["GRADIO_TEMP_DIR"]) / "empty"
    empty.mkdir()
    os.chdir(empty)
    # Uvicorn stops politely on this signal and then raises it again: dying of it would leave uploads behind.
    signal.signal(signal.SIGTERM, _end)
    # Every open page holds a connection: without an end to waiting for them, one signal would never stop the server.
    uvicorn.run(
        app, host=settings.host, port=settings.port, log_level="warning", access_log=False, server_header=False,
        proxy_headers=settings.behind_proxy, forwarded_allow_ips="127.0.0.1", timeout_keep_alive=20,
        limit_concurrency=400, h11_max_incomplete_event_size=32_768, timeout_graceful_shutdown=5,
    )  # fmt: skip


def _check_environment() -> None:
    """Refuse a share link; drop other settings of the framework that the environment may carry."""
    if os.environ.get("GRADIO_SHARE", "").strip().lower() not in ("", "0", "false", "no"):
        raise UpdraftKeyError("GRADIO_SHARE is set: this server never opens a public share link; unset it")
    for name in [n for n in os.environ if n.startswith("GRADIO_")]:
        del os.environ[name]
    os.environ["GRADIO_ANALYTICS_ENABLED"] = "False"
    os.environ["HF_HUB_DISABLE_TELEMETRY"] = "1"


async def _stay_small() -> None:
    while True:
        await asyncio.sleep(TIDY_S)
        await asyncio.to_thread(give_back)


def _end(number: int, _frame: FrameType | None) -> None:
    raise SystemExit(128 + number)


def _add_files(app: FastAPI, clerk: Clerk) -> None:
    """Routes of the page's own files: pictures and reports of a desk by its token, examples, the small script."""

    @app.get("/page.js", include_in_schema=False)
    async def page_script() -> Response:
        return FileResponse(PAGE_SCRIPT, media_type="text/javascript")

    @app.get("/example/{name}", include_in_schema=False)
    async def example(name: str) -> Response:
        kind = PICTURE_TYPES.get(Path(name).suffix.lower())
        if kind is None or name not in {Path(file).name for file, _text in captions()}:
            return _missing()
        return FileResponse(EXAMPLES / name, media_type=kind, headers={"cache-control": "max-age=3600"})

    @app.get("/desk/{token}/{index}-{turns}.jpg", include_in_schema=False)
    def picture(token: str, index: int, turns: int) -> Response:
        desk = clerk.desks.get(token)
        if desk is None or not 0 <= index < len(desk.shots) or desk.shots[index].turns != turns:
            return _missing()
        return Response(desk.shots[index].preview, media_type="image/jpeg", headers={"cache-control": "no-store"})

    @app.get("/desk/{token}/report-{lang}.pdf", include_in_schema=False)
    def report(token: str, lang: str) -> Response:
        desk = clerk.desks.get(token)
        if desk is None or desk.answer is None:
            return _missing()
        data = report_of(desk, lang)
        name = {"content-disposition": 'attachment; filename="updraft-key.pdf"', "cache-control": "no-store"}
        return Response(data, media_type="application/pdf", headers=name)


def report_of(desk: Desk, lang: str) -> bytes:
    """The answer of a desk as a PDF."""
    from .desk_report import desk_pdf

    return desk_pdf(desk, lang)


def _missing() -> Response:
    return JSONResponse({"error": {"code": "not_found", "message": "there is nothing at this address"}}, 404)
