"""What the page says of itself: version, cautions, licences, quantities; and the password where one is needed."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from importlib.metadata import PackageNotFoundError, metadata

from fastapi import APIRouter, Request, Response
from starlette.responses import JSONResponse

from tidebench._version import __version__
from tidebench.caution import CAUTION
from tidebench.findings import ABOUT
from tidebench.findings.about import DECIDE
from tidebench.limits.published import PUBLISHED
from tidebench.quantities import QUANTITIES, quantity
from tidebench.views.kinds import label_of
from tidebench.web.guard import COOKIE, Sessions, Tries
from tidebench.web.models import About, Licence, Password, QuantityTold, SourceTold
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED

INSIDE = (
    "numpy", "scipy", "numba", "polars", "pydantic", "fastapi", "uvicorn", "websockets", "tsdownsample", "argon2-cffi",
    "matplotlib", "typst", "cyclopts", "rich",
)  # fmt: skip
IN_THE_PAGE = (
    ("Preact", "MIT"), ("uPlot", "MIT"), ("Source Sans 3", "OFL-1.1"), ("Source Serif 4", "OFL-1.1"),
)  # fmt: skip
LONGEST = 60
NO_SOURCE_NEEDED = "none needed"


def about_routes(serving: Serving, sessions: Sessions) -> APIRouter:
    """The routes that need no case."""
    api = APIRouter(prefix="/api", responses=REFUSED)
    tries = Tries(serving.limits.tries, serving.limits.tries_s)

    @api.get("/about")
    def about() -> About:
        """The program, its cautions and what is inside."""
        return About(
            version=__version__, caution=CAUTION, decide=DECIDE, locked=bool(serving.password_hash), inside=inside()
        )

    @api.get("/quantities")
    def quantities() -> list[QuantityTold]:
        """Every quantity: label, unit, definition, source."""
        return [QuantityTold.model_validate(record) for record in QUANTITIES.values()]

    @api.get("/sources")
    def sources() -> list[SourceTold]:
        """Every source, with the quantities, limits and findings that rest on it."""
        return sourced()

    @api.post("/session", status_code=204, response_class=Response)
    def begin_session(asked: Password, request: Request) -> Response:
        """Begin a session with the password."""
        address = request.client.host if request.client else ""
        if (wait := tries.wait_s(address)) > 0:
            problem = {"problem": f"Too many wrong passwords. Wait {wait:.0f} s."}
            return JSONResponse(problem, 429, {"retry-after": f"{wait:.0f}"})
        if not matches(serving.password_hash, asked.password):
            tries.wrong(address)
            return JSONResponse({"problem": "That is not the password."}, 401)
        answer = Response(status_code=204)
        answer.set_cookie(
            COOKIE, sessions.begin(), httponly=True, samesite="strict", secure=serving.secure, path="/",
            max_age=int(serving.limits.session_s),
        )  # fmt: skip
        return answer

    @api.delete("/session", status_code=204)
    def end_session(request: Request) -> None:
        """End the session."""
        sessions.end(request.cookies.get(COOKIE, ""))

    return api


def matches(password_hash: str, password: str) -> bool:
    """True for the right password; where none is needed, none is right."""
    from argon2 import PasswordHasher
    from argon2.exceptions import VerificationError

    if not password_hash:
        return False
    try:
        return PasswordHasher().verify(password_hash, password)
    except VerificationError:
        return False


@cache
def sourced() -> list[SourceTold]:
    """Sources in the order of their letters; what is computed from the signals alone needs none."""
    found: dict[str, list[str]] = {}
    for source, what in _resting():
        if source != NO_SOURCE_NEEDED and what not in found.setdefault(source, []):
            found[source].append(what)
    return [SourceTold(source=source, of=found[source]) for source in sorted(found, key=str.casefold)]


def _resting() -> Iterator[tuple[str, str]]:
    yield from ((record.source, record.label) for record in QUANTITIES.values())
    yield from ((limit.source, f"limit of {quantity(limit.key).label}") for limit in PUBLISHED)
    yield from ((about.source, f"finding: {label_of(kind)}") for kind, about in ABOUT.items())


@cache
def inside() -> list[Licence]:
    """Libraries that are inside, with their licences."""
    found = [Licence(name=name, licence=licence) for name in INSIDE if (licence := _licence(name))]
    return [*found, *(Licence(name=name, licence=licence) for name, licence in IN_THE_PAGE)]


def _licence(name: str) -> str:
    try:
        told = metadata(name)
    except PackageNotFoundError:
        return ""
    said = next((word for key in ("License-Expression", "License") for word in told.get_all(key) or ()), "")
    classed = [c.rpartition(" :: ")[2] for c in told.get_all("Classifier") or () if c.startswith("License ::")]
    return said if 0 < len(said) <= LONGEST and "\n" not in said else ", ".join(classed) or "see its package"
