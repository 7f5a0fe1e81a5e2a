"""The columns of a case's recording, named after the case was made."""

from __future__ import annotations

from fastapi import APIRouter

from tidebench.case_columns import CaseColumns, columns_of, say_columns
from tidebench.casebook import case_folder
from tidebench.web.models import CaseColumnsTold, ColumnTold, Mapped
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED


def column_routes(serving: Serving) -> APIRouter:
    """The routes of a recording's columns."""
    api = APIRouter(prefix="/api/cases/{name}/columns", responses=REFUSED)

    @api.get("")
    def recorded_columns(name: str) -> CaseColumnsTold:
        """What the columns of a case's recording are understood as."""
        return _columns_told(columns_of(case_folder(serving.folder, name)))

    @api.post("")
    def try_columns(name: str, asked: Mapped) -> CaseColumnsTold:
        """What they would be understood as, with what a person says of them."""
        return _columns_told(columns_of(case_folder(serving.folder, name), asked.columns))

    @api.put("")
    def keep_columns(name: str, asked: Mapped) -> CaseColumnsTold:
        """Write what they hold into the case."""
        return _columns_told(say_columns(case_folder(serving.folder, name), asked.columns))

    return api


def _columns_told(found: CaseColumns) -> CaseColumnsTold:
    columns = [ColumnTold.model_validate(column) for column in found.seen.columns]
    return CaseColumnsTold(columns=columns, problem=found.seen.problem, said=dict(found.said))
