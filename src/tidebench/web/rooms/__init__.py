"""Rooms with a form: what each asks, and the page that the library makes of the answers. Nothing is computed here."""

from __future__ import annotations

from tidebench.web.rooms.desk import Desk, Room, Shown
from tidebench.web.rooms.gases import GASES
from tidebench.web.rooms.handover import HANDOVER
from tidebench.web.rooms.prepare import PREPARE
from tidebench.web.rooms.wean import WEAN

ROOMS: dict[str, Room] = {"prepare": PREPARE, "gases": GASES, "wean": WEAN, "handover": HANDOVER}
"""Every room by its name."""

__all__ = ["ROOMS", "Desk", "Room", "Shown"]
