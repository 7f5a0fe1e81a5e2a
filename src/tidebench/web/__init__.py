"""The workbench in the browser: a server that calls the library and computes nothing, and a page that shows it."""

from __future__ import annotations
