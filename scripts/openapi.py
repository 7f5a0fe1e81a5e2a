"""Writes down what the server answers, for the page's types: python scripts/openapi.py"""

from __future__ import annotations

import json
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "src"))
TARGET = ROOT / "src" / "tidebench" / "web" / "frontend" / "openapi.json"


def text() -> str:
    """The description as it is committed."""
    from tidebench.web.app import create_api
    from tidebench.web.guard import Sessions
    from tidebench.web.jobs import Jobs
    from tidebench.web.options import Limits, Serving

    described = create_api(Serving(Path()), Jobs(0, Limits()), Sessions(1)).openapi()
    described["info"]["version"] = "0"
    return json.dumps(described, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


if __name__ == "__main__":
    TARGET.write_text(text(), encoding="utf-8")
