"""The page names every source that the quantity catalogue, published limits and findings rest on."""

from __future__ import annotations

from pathlib import Path

from tests.web.bench import served
from tidebench.findings import ABOUT
from tidebench.limits.published import PUBLISHED
from tidebench.quantities import QUANTITIES, quantity


def test_every_source_stands_there_once_with_what_rests_on_it(tmp_path: Path) -> None:
    with served(tmp_path) as client:
        answer = client.get("/api/sources").json()
    told = {one["source"]: one["of"] for one in answer}
    assert len(told) == len(answer)
    for record in QUANTITIES.values():
        assert record.label in told[record.source]
    for limit in PUBLISHED:
        assert f"limit of {quantity(limit.key).label}" in told[limit.source]
    needing = {about.source for about in ABOUT.values()} - {"none needed"}
    assert needing <= told.keys()
    assert "none needed" not in told
    assert all(told.values())
