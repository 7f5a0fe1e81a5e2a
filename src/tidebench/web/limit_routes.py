"""How large a file may be, so that a larger one need not be sent to be refused."""

from __future__ import annotations

from fastapi import APIRouter

from tidebench.web.guard import LOGS, PICTURES
from tidebench.web.models import UploadLimit
from tidebench.web.options import Limits, Serving
from tidebench.web.picture_routes import picture_limits
from tidebench.web.refusals import REFUSED
from tidebench.web.uploads import too_large


def limit_routes(serving: Serving) -> APIRouter:
    """The routes that tell limits, each where a file of its kind is sent to."""
    api = APIRouter(prefix="/api", responses=REFUSED)

    @api.get("/uploads")
    def signals_limit() -> UploadLimit:
        """How large a file of signals may be."""
        return _told(serving.limits)

    @api.get(LOGS.removeprefix("/api"))
    def log_limit() -> UploadLimit:
        """How large a log may be."""
        return _told(serving.limits)

    @api.get(PICTURES.removeprefix("/api"))
    def picture_limit() -> UploadLimit:
        """How large a picture may be."""
        return _told(picture_limits(serving))

    return api


def _told(limits: Limits) -> UploadLimit:
    return UploadLimit(bytes=limits.upload_bytes, words=str(too_large("", limits)))
