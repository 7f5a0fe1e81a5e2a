"""Errors of the library as answers: the words of the command line, as far as a page has them, and a status."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.responses import JSONResponse

from tidebench.errors import OptionError, OutputError, TidebenchError
from tidebench.web.models import Refusal
from tidebench.web.spoken import spoken

REFUSED: dict[int | str, dict[str, Any]] = {
    code: {"model": Refusal, "description": words}
    for code, words in (
        (400, "The request can't be used"),
        (401, "The password comes first"),
        (403, "The request comes from elsewhere"),
        (404, "There is no such thing"),
        (409, "Something is in the way"),
        (413, "It is too large"),
        (415, "It is of another kind"),
        (422, "It can't be used as it is"),
        (429, "Too many tries"),
    )
}


def speak_plainly(app: FastAPI) -> None:
    """Give errors the words of the command line; a fault of the program's is said without its content."""

    @app.exception_handler(TidebenchError)
    def refused(_: Request, error: TidebenchError) -> JSONResponse:
        missing = isinstance(error, OptionError) and "there is no" in error.problem
        status = 404 if missing else 409 if isinstance(error, OutputError) else 422
        return JSONResponse({"problem": spoken(str(error))}, status)

    @app.exception_handler(RequestValidationError)
    def unusable(_: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"][1:]) or str(first["loc"][0])
        return JSONResponse({"problem": f"{place}: {first['msg']}."}, 422)

    @app.exception_handler(Exception)
    def broken(_: Request, __: Exception) -> JSONResponse:
        return JSONResponse({"problem": "This is a fault of the program's. Nothing was changed."}, 500)
