"""The application: routes put together behind the guard, and the built page."""

from __future__ import annotations

import logging
import threading
import traceback
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Receive, Scope, Send

from tidebench._version import __version__
from tidebench.web.about_routes import about_routes
from tidebench.web.alarm_routes import alarm_routes
from tidebench.web.arrangement_routes import arrangement_routes
from tidebench.web.bench_routes import bench_routes, describe_messages
from tidebench.web.card_routes import card_routes
from tidebench.web.casebook_routes import casebook_routes
from tidebench.web.column_routes import column_routes
from tidebench.web.export_routes import export_routes
from tidebench.web.guard import Guard, Sessions
from tidebench.web.jobs import Jobs
from tidebench.web.lesson_bench import describe_sitting
from tidebench.web.lesson_routes import lesson_routes
from tidebench.web.limit_routes import limit_routes
from tidebench.web.log_routes import log_routes
from tidebench.web.opened import Shelf
from tidebench.web.options import PAGE, Serving
from tidebench.web.picture_routes import picture_routes
from tidebench.web.refusals import speak_plainly
from tidebench.web.rehearsal_routes import rehearsal_routes
from tidebench.web.review_routes import review_routes
from tidebench.web.room_routes import room_routes

FOREVER = "public, max-age=31536000, immutable"

log = logging.getLogger("tidebench.web")

BESIDE = ("icon.svg", "licences.txt")


def create_api(serving: Serving, jobs: Jobs, sessions: Sessions) -> FastAPI:
    """The typed interface alone, without guard and page."""

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        threading.Thread(target=warm, daemon=True).start()
        yield
        jobs.close()

    app = FastAPI(
        title="Tidebench", version=__version__, lifespan=life, docs_url=None, redoc_url=None,
        openapi_url="/api/openapi.json", generate_unique_id_function=lambda route: route.name,
    )  # fmt: skip
    speak_plainly(app)
    app.include_router(about_routes(serving, sessions))
    app.include_router(casebook_routes(serving, jobs))
    shelf = Shelf()
    app.include_router(review_routes(serving, shelf))
    app.include_router(export_routes(serving, shelf))
    app.include_router(rehearsal_routes(serving, shelf, jobs))
    app.include_router(room_routes(serving, shelf))
    app.include_router(alarm_routes(serving, shelf))
    app.include_router(limit_routes(serving))
    app.include_router(log_routes(serving, shelf, jobs))
    app.include_router(picture_routes(serving, jobs))
    app.include_router(arrangement_routes(serving))
    app.include_router(column_routes(serving))
    app.include_router(card_routes())
    app.include_router(bench_routes(serving, sessions))
    app.include_router(lesson_routes(serving, sessions, jobs))
    describe_messages(app)
    describe_sitting(app)
    return app


def create_app(serving: Serving) -> ASGIApp:
    """The whole workbench as an ASGI application."""
    sessions = Sessions(serving.limits.session_s)
    app = create_api(serving, Jobs(serving.workers, serving.limits), sessions)
    _page(app)
    app.add_middleware(GZipMiddleware, minimum_size=1024, compresslevel=1)
    return Quiet(Guard(app, serving, sessions))


def warm() -> None:
    """Load what the first review that is opened would otherwise wait for."""
    import numpy as np

    from tidebench.efforts.edges import delayed
    from tidebench.steps import spreads
    from tidebench.views.window import downsampled

    few = np.linspace(0.0, 1.0, 1000)
    delayed(few, 0.01, 0.01)
    spreads(few.reshape(-1, 2))
    downsampled(few, 100)


class Quiet:
    """The outermost: a fault is logged by where it happened, and never with the words of a case."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        try:
            await self.app(scope, receive, send)
        except Exception as error:
            places = "".join(traceback.format_tb(error.__traceback__)[-4:])
            log.error("fault: %s\n%s", type(error).__name__, places)


def _page(app: FastAPI) -> None:
    @app.api_route("/api/{rest:path}", methods=["GET", "POST", "PUT", "PATCH", "DELETE"], include_in_schema=False)
    def nothing(rest: str) -> JSONResponse:  # noqa: ARG001
        return JSONResponse({"problem": "There is nothing at this address."}, 404)

    if not (PAGE / "index.html").is_file():
        return

    class Kept(StaticFiles):
        def file_response(self, *args: object, **words: object) -> Response:
            answer = super().file_response(*args, **words)  # type: ignore[arg-type]
            answer.headers["cache-control"] = FOREVER
            return answer

    app.mount("/assets", Kept(directory=PAGE / "assets"))

    @app.get("/", include_in_schema=False)
    def page() -> FileResponse:
        return FileResponse(PAGE / "index.html", headers={"cache-control": "no-cache"})

    @app.get("/{name}", include_in_schema=False)
    def beside(name: str) -> Response:
        return FileResponse(PAGE / name) if name in BESIDE else nothing(name)
