"""The command ``tidebench``: thin commands over the library. Numerical libraries are loaded when a command runs."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence

from cyclopts import App, CycloptsError

from tidebench._version import __version__
from tidebench.caution import CAUTION
from tidebench.cli import (
    card,
    case,
    demo,
    findings,
    gases,
    handover,
    lesson,
    log,
    picture,
    prepare,
    quantities,
    review,
    serve,
    simulate,
    wean,
    whatif,
)
from tidebench.errors import TidebenchError

BAD_INPUT = 2

app = App(
    name="tidebench",
    help="Turns the recorded breaths of a ventilated patient into a measured, explained case.",
    help_epilogue=CAUTION,
    help_format="plaintext",
    version=__version__,
    result_action="return_value",
    print_error=False,
    exit_on_error=False,
)
app.command(card.card)
app.command(case.case)
app.command(demo.demo)
app.command(findings.findings)
app.command(gases.gases)
app.command(handover.handover)
app.command(lesson.lesson)
app.command(log.log)
app.command(picture.picture)
app.command(prepare.prepare)
app.command(quantities.quantities)
app.command(review.review)
app.command(serve.serve)
app.command(simulate.simulate)
app.command(simulate.patients)
app.command(wean.wean)
app.command(whatif.whatif)


def main(words: Sequence[str] | None = None) -> None:
    """Run the command line: exit 0 when done, 2 on bad input or a refusal of the system, with one message.

    Messages go to standard error. Where the reader of the output has gone, it ends with 1 and without a word.

    Parameters
    ----------
    words : sequence of str
        What follows the command's name; the process's own arguments where left out.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a console without µ or ′ still gets its table
    try:
        app(sys.argv[1:] if words is None else words)
        sys.stdout.flush()
    except CycloptsError as error:
        _refuse(f"{error} See `tidebench --help`.")
    except TidebenchError as error:
        _refuse(str(error))
    except BrokenPipeError:
        _drop_output()
        raise SystemExit(1) from None
    except OSError as error:
        _drop_output()
        _refuse(f"{error.filename or 'standard output'}: can't be used ({error.strerror or error}).")


def _drop_output() -> None:
    """Let what is still to be printed go nowhere, so that it is not tried again at the end."""
    if sys.stdout is sys.__stdout__ and sys.stdout is not None:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _refuse(message: str) -> None:
    print(f"tidebench: {message}", file=sys.stderr)
    raise SystemExit(BAD_INPUT)
