"""Lessons: taught from virtual patients or from a reviewed case, answered, marked from the truth, kept as a record.

::

    lesson.toml ─► format ─► patients (drawn with a seed) ─► scene (simulated, with its truth)
                     │                                          │
                     └► session (a learner's way through) ─► marking ─► record · debrief
                     └► kit (plan, handout, quiz, lists to sign)
"""

from __future__ import annotations

from tidebench.lessons.check import Checked, check
from tidebench.lessons.format import Lesson, lesson_from, load_lesson
from tidebench.lessons.marking import Mark
from tidebench.lessons.session import Session
from tidebench.lessons.shelf import lesson_names, open_lesson

__all__ = [
    "Checked",
    "Lesson",
    "Mark",
    "Session",
    "check",
    "lesson_from",
    "lesson_names",
    "load_lesson",
    "open_lesson",
]
