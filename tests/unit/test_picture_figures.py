"""Figures beside axes: read where a program is there that reads, counted where they lie on one axis, never needed."""

from __future__ import annotations

import shutil
import stat
from pathlib import Path

import pytest
from PIL import Image

from tests.web.pictures import plain_chart
from tidebench.pictures.figures import PROGRAM, can_read, figures_in, time_axis, value_axis

HEAD = "level\tpage_num\tblock_num\tpar_num\tline_num\tword_num\tleft\ttop\twidth\theight\tconf\ttext"


def word(left: int, top: int, text: str, sure: float = 90.0) -> str:
    return f"5\t1\t1\t1\t1\t1\t{left}\t{top}\t40\t20\t{sure}\t{text}"


def test_words_that_are_numbers_read_with_some_confidence_are_figures() -> None:
    table = "\n".join([HEAD, word(0, 0, "30"), word(0, 400, "−10"), word(0, 90, "x7"), word(0, 90, "20", 5.0), "5\t1"])
    assert figures_in(table) == [(20.0, 10.0, 30.0), (20.0, 410.0, -10.0)]
    assert figures_in("") == []


@pytest.fixture
def program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A program of that name which says what a file holds."""
    path = tmp_path / PROGRAM
    path.write_text(f'#!/bin/sh\ncat > /dev/null\ncat "{tmp_path}/said"\n', encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", str(tmp_path), prepend=":")
    return tmp_path / "said"


def test_three_figures_on_one_axis_are_two_marks_and_a_misread_one_is_left_out(program: Path) -> None:
    rows = [word(0, 40, "30"), word(0, 360, "20"), word(0, 520, "75"), word(0, 1000, "0"), word(0, 680, "10")]
    program.write_text("\n".join([HEAD, *rows]), encoding="utf-8")
    axis = value_axis(Image.new("RGB", (1000, 500), "white"), (200, 50, 900, 350))
    assert axis is not None
    assert axis.figures == 4
    (first, a), (last, b) = axis.marks
    assert (a, b) == (30.0, 0.0)
    assert last - first == pytest.approx((1000 - 40) / 4)
    program.write_text("\n".join([HEAD, *rows[:2]]), encoding="utf-8")
    assert value_axis(Image.new("RGB", (1000, 500), "white"), (200, 50, 900, 350)) is None


def test_without_the_program_nothing_is_read(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert not can_read()
    assert time_axis(Image.new("RGB", (400, 300), "white"), (50, 50, 350, 200)) is None


@pytest.mark.skipif(shutil.which(PROGRAM) is None, reason="no program for character recognition is installed")
def test_figures_of_a_drawn_chart_lie_within_a_pixel_of_its_marks() -> None:
    chart = plain_chart()
    told = 0
    for panel in chart.panels:
        left, top, right, bottom = (round(edge) for edge in panel.box)
        axis = value_axis(chart.image, (left, top, right, bottom))
        if axis is not None:
            told += 1
            assert [panel.row(value) - at for at, value in axis.marks] == pytest.approx([0, 0], abs=1)
    assert told
