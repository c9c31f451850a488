"""True-scale printable sheets: a sheet's name in, a vector PDF out (A4 or Letter).

Everything that a photograph is measured from is drawn from `vision.sheet_layouts`; this file adds
the words: what to do with the sheet and what to take care of.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path

from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from vision.sheet_layouts import (
    NAMES,
    PAPERS,
    VERSION,
    Circle,
    Label,
    Layout,
    Line,
    Polygon,
    Shape,
    TextBox,
    marker_ink,
    pages,
)

_REGULAR, _BOLD = "Helvetica", "Helvetica-Bold"
_PRINT = "Print at 100 %, not “fit to page”. Lay a blank ID-1 card on its field (or measure both \
check bars with a steel rule away from the deck) and read the print scale once a print."
_PHONE = "A phone and its mounts are magnets: rest it on a block at least 50 mm from the \
cartridge, use the self-timer, never hold it over the stylus."
_STYLUS = "Platter locked, amplifier muted, sleeves out of the way, no steel tools near the \
cartridge. Anti-skate off while the stylus stands on paper. Lower with the lift, never slide."

_WORDS: dict[tuple[str, int], tuple[tuple[str, str], ...]] = {
    ("alignment", 1): (
        ("Print", _PRINT),
        (
            "Place",
            "Slit the star in the ring, push the sheet over the spindle and turn it until the "
            "sight line points at the middle of the arm's pivot. Tape it down.",
        ),
        (
            "Use",
            "Lower the stylus on each null cross in turn. Photograph from straight ahead of the "
            "cartridge and high (30–50°), the whole grid and both marker strips in view.",
        ),
        ("Care", _STYLUS + " " + _PHONE),
    ),
    ("two-point", 1): (
        ("Print", _PRINT),
        (
            "Place",
            "Slit the star in the ring and push the sheet over the spindle. For each null cross "
            "turn the sheet until the stylus can stand on it; nothing needs to point anywhere.",
        ),
        (
            "Use",
            "The cartridge must lie along the grid at both crosses. Photograph each from straight "
            "ahead and high (30–50°), the grid and both marker strips in view. For the overhang "
            "turn the rule's far end straight away from the pivot.",
        ),
        ("Care", _STYLUS + " " + _PHONE),
    ),
    ("distance", 1): (
        ("Print", _PRINT),
        (
            "Place",
            "Slit the star in the ring and push the sheet over the spindle, the rule towards the "
            "pivot. Cut it across just short of the arm's base. Lay the pivot cap on the middle "
            "of the bearing, corner of the four squares on its axis, printed side up and level.",
        ),
        (
            "Use",
            "Measure how high the cap lies above this paper, to 0.5 mm. Photograph from straight "
            "above the pivot (there its height matters least), 400 to 600 mm up, spindle, marker "
            "blocks and card in view.",
        ),
        ("Care", "Stylus guard on, arm locked in its rest, platter locked. " + _PHONE),
    ),
    ("distance", 2): (
        ("Print", "Print both pages together, at the same setting."),
        (
            "Place",
            "Only for pivots more than 220 mm away: cut page 1 at its dashed line, lay it on this "
            "page's dashed line so that the rules run on, and tape it. A small step or turn at "
            "the join does no harm: the photo measures each page on its own.",
        ),
        ("Care", "Stylus guard on, arm locked in its rest, platter locked."),
    ),
    ("level", 1): (
        (
            "Arm card",
            "Cut along the line below the marker blocks, glue to stiff card, stand it upright on "
            "the record or mirror close behind the arm tube. Photograph side-on with the lens at "
            "tube height, both marker blocks in view.",
        ),
        (
            "Bull's-eye mat",
            "Cut out the mat with its four marker blocks, lay it on the platter, arrow to the arm "
            "pivot, level on the rings. Photograph from straight above. Turn the level half round "
            "on the mat and photograph again: the two together cancel the level's own error.",
        ),
        ("Care", "Stylus guard on, arm locked. " + _PHONE),
    ),
    ("disc", 2): (
        (
            "Speed by video",
            "Cut out one disc and the stationary card. Lay the disc on the spindle, the card on "
            "the plinth as near as it will go, both level. Film 40 s at 30 or 60 frames a second "
            "from straight above, everything in view, phone at rest on a block. Bright light "
            "keeps the markers sharp; no slow motion, no digital zoom.",
        ),
        (
            "Large disc",
            "For a free platter. The small disc lies on the record's label, so that the speed "
            "can be read with the stylus playing.",
        ),
        (
            "Strobe rings",
            "The ring for your mains stands still at the right speed; 45 rpm on 50 Hz stands "
            "still at 45.11, 78 at 77.92 (50 Hz) or 78.26 (60 Hz). It needs a lamp that flickers "
            "with the mains; many LEDs do not.",
        ),
        (
            "Care",
            "Flickering light can harm photosensitive people. Unplug the deck before touching "
            "motor, pulley or trim inside the case; mains wiring is for a qualified person. "
            "Nothing loose near a turning platter.",
        ),
    ),
    ("calibration", 1): (
        (
            "Print",
            "At 100 %, then glue flat to stiff card or a clip-board.",
        ),
        (
            "Use",
            "Take 8 or more photos at one zoom setting: straight on, from four sides at 30–45°, "
            "the board filling the frame, reaching its corners.",
        ),
    ),
}


_CHECK_WORDS = (
    (
        "Use",
        "Glue flat. Photograph straight on, level with the middle, the corner marks at the frame's "
        "corners. The reading must agree with the drawn angle within its U.",
    ),
)
_WORDS.update({("check", page): _CHECK_WORDS for page in (1, 2, 3)})


def write_sheet(
    name: str,
    path: str | Path,
    *,
    paper: str = "a4",
    null_radii_mm: tuple[float, float] = (65.998, 120.891),
    effective_length_mm: float = 230.0,
) -> Path:
    """Write one sheet (all its pages) as a PDF file and return its path.

    Parameters
    ----------
    name : str
        One of `vision.sheet_layouts.NAMES`.
    path : str or Path
        The file to write; a folder gets ``deckplumb-NAME-PAPER.pdf``.
    paper : {"a4", "letter"}
    null_radii_mm, effective_length_mm
        As in `vision.sheet_layouts.pages`.

    Raises
    ------
    ValueError
        Unknown name or paper, numbers out of range.
    """
    data = sheet_pdf(
        name,
        paper=paper,
        null_radii_mm=null_radii_mm,
        effective_length_mm=effective_length_mm,
    )
    target = Path(path)
    if target.is_dir() or target.suffix.lower() != ".pdf":
        target.mkdir(parents=True, exist_ok=True)
        target = target / f"deckplumb-{name}-{paper}.pdf"
    target.write_bytes(data)
    return target


def sheet_pdf(
    name: str,
    *,
    paper: str = "a4",
    null_radii_mm: tuple[float, float] = (65.998, 120.891),
    effective_length_mm: float = 230.0,
    version: int = VERSION,
) -> bytes:
    """Return one sheet as PDF bytes; parameters as in `write_sheet`."""
    if paper not in PAPERS:
        raise ValueError(f"paper: expected one of {', '.join(PAPERS)}, got {paper!r}")
    made = pages(
        name,
        null_radii_mm=null_radii_mm,
        effective_length_mm=effective_length_mm,
        version=version,
    )
    return pages_pdf(made, paper)


def all_sheets(
    folder: str | Path,
    *,
    paper: str = "a4",
    null_radii_mm: tuple[float, float] = (65.998, 120.891),
    effective_length_mm: float = 230.0,
) -> list[Path]:
    """Write every sheet into a folder; parameters as in `write_sheet`."""
    Path(folder).mkdir(parents=True, exist_ok=True)
    return [
        write_sheet(
            name,
            folder,
            paper=paper,
            null_radii_mm=null_radii_mm,
            effective_length_mm=effective_length_mm,
        )
        for name in NAMES
    ]


def pages_pdf(layouts: Iterable[Layout], paper: str) -> bytes:
    """Draw layouts, one a page."""
    width, height = PAPERS[paper]
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(width * mm, height * mm), invariant=1, pageCompression=1)
    canvas.setTitle("Deckplumb sheet")
    for layout in layouts:
        canvas.saveState()
        canvas.translate(width / 2 * mm, height / 2 * mm)
        canvas.scale(mm, mm)
        _page(canvas, layout, paper)
        canvas.restoreState()
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _page(canvas: Canvas, layout: Layout, paper: str) -> None:
    for shape in layout.shapes:
        _draw(canvas, shape)
    for patch in layout.patches:
        for quad in patch.black():
            _draw(canvas, Polygon(tuple((float(x), float(y)) for x, y in quad)))
    for marker in (*layout.markers(), *layout.digits):
        for shape in marker_ink(marker):
            _draw(canvas, shape)
    _draw(canvas, Label(-95, 124.5, layout.title, 13, bold=True))
    name = "A4" if paper == "a4" else "Letter"
    line = f"Deckplumb · version {layout.version} · {name} · print at 100 %"
    _draw(canvas, Label(-95, 120, line, 7.5, grey=0.25))
    words = _WORDS.get((layout.name, layout.page), ())
    if words:
        _text(canvas, layout.text, words)


def _draw(canvas: Canvas, shape: Shape) -> None:
    canvas.setStrokeGray(shape.grey)
    canvas.setFillGray(shape.grey)
    if isinstance(shape, Line):
        canvas.setLineWidth(shape.width)
        canvas.setDash([shape.dash, shape.dash] if shape.dash else [])
        canvas.line(shape.x0, shape.y0, shape.x1, shape.y1)
        canvas.setDash([])
    elif isinstance(shape, Circle):
        filled = shape.width == 0
        canvas.setLineWidth(shape.width)
        canvas.circle(shape.x, shape.y, shape.radius, stroke=not filled, fill=filled)
    elif isinstance(shape, Polygon):
        path = canvas.beginPath()
        path.moveTo(*shape.points[0])
        for point in shape.points[1:]:
            path.lineTo(*point)
        path.close()
        canvas.drawPath(path, stroke=0, fill=1)
    else:
        canvas.saveState()
        canvas.translate(shape.x, shape.y)
        canvas.rotate(shape.angle)
        canvas.setFont(_BOLD if shape.bold else _REGULAR, shape.size / mm)
        draw = {
            "left": canvas.drawString,
            "centre": canvas.drawCentredString,
            "right": canvas.drawRightString,
        }[shape.align]
        draw(0, 0, shape.text)
        canvas.restoreState()


def _text(canvas: Canvas, box: TextBox, words: tuple[tuple[str, str], ...]) -> None:
    """Set headed paragraphs from the top of the box downwards."""
    size = 7.6 / mm
    leading = 3.35
    y = box.top - size
    canvas.setFillGray(0)
    for heading, body in words:
        canvas.setFont(_BOLD, size)
        canvas.drawString(box.x, y, heading)
        y -= leading
        canvas.setFont(_REGULAR, size)
        for line in _wrapped(body, box.width, size):
            canvas.drawString(box.x, y, line)
            y -= leading
        y -= 1.6


def _wrapped(body: str, width: float, size: float) -> list[str]:
    lines: list[str] = []
    current = ""
    for word in body.split():
        trial = f"{current} {word}".strip()
        if stringWidth(trial, _REGULAR, size) > width and current:
            lines.append(current)
            current = word
        else:
            current = trial
    return [*lines, current] if current else lines
