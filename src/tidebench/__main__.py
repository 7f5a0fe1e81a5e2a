"""``python -m tidebench``: the command line."""

from __future__ import annotations

from tidebench.cli import main

if __name__ == "__main__":
    main()
