"""A figure as PNG, by the typesetter that sets the report, on white."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tidebench.report.drawing import WIDTH_MM

if TYPE_CHECKING:
    from tidebench.report.figures import Picture

DOTS_PER_INCH = 200.0
MARGIN_MM = 3.0


def png_bytes(picture: Picture) -> bytes:
    """A figure as it is printed, 200 dots to the inch."""
    import typst

    page = (
        f"#set page(width: {WIDTH_MM + 2 * MARGIN_MM}mm, height: auto, margin: {MARGIN_MM}mm, fill: white)\n"
        '#image(bytes(sys.inputs.svg), format: "svg", width: 100%)'
    )
    made = typst.compile(
        page.encode(), format="png", ppi=DOTS_PER_INCH, sys_inputs={"svg": picture.svg}, ignore_system_fonts=True
    )
    assert isinstance(made, bytes)
    return made
