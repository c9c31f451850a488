"""The report as a PDF (A4, reportlab): one page of summary, then plot, readings, cautions.

In: `ReportData`. Out: PDF bytes. Type is DejaVu, which ships with matplotlib, so that every sign
(°, ±, ⅓, Greek) prints on any machine.
"""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    BaseDocTemplate,
    Frame,
    HRFlowable,
    Image,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from bench.plots import alignment_plot
from bench.report_data import LEGEND, Detail, ReportData

INK, QUIET, RULE, TEAL, WASH = (
    HexColor(c) for c in ("#1d282d", "#5a6468", "#cfcabc", "#0f5f63", "#f3f0e8")
)
COLOURS = {
    "within": HexColor("#1b5e34"),
    "done": HexColor("#1b5e34"),
    "set by rake": HexColor("#1b5e34"),
    "set by overhang": HexColor("#1b5e34"),
    "within as shown": HexColor("#1b5e34"),
    "outside": HexColor("#8f2d1c"),
    "undecided": HexColor("#7a4a00"),
    "check again": HexColor("#7a4a00"),
    "accepted, outside": HexColor("#8f2d1c"),
    "accepted, undecided": HexColor("#7a4a00"),
}
MARGIN = 20 * mm
WIDTH = A4[0] - 2 * MARGIN
THUMBNAIL = (62 * mm, 50 * mm)


def pdf_of(data: ReportData) -> bytes:
    """Lay the report out; return the PDF."""
    _fonts()
    out = io.BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=A4,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=18 * mm,
        bottomMargin=20 * mm,
        title=f"Set-up report: {data.title}",
        author="Deckplumb",
        invariant=True,
        lang="en",
    )
    frame = Frame(MARGIN, 20 * mm, WIDTH, A4[1] - 38 * mm, 0, 0, 0, 0)
    document.addPageTemplates(
        PageTemplate("page", [frame], onPage=lambda c, d: _footer(c, d, data))
    )
    document.build(_story(data))
    return out.getvalue()


def _story(data: ReportData) -> list[Any]:
    story: list[Any] = [
        Paragraph("SET-UP REPORT", _style("label", colour=TEAL)),
        Paragraph(escape(data.title), _style("title")),
    ]
    line = "  ·  ".join(p for p in (data.subtitle, data.when) if p)
    story += [Paragraph(escape(line), _style("quiet")), Spacer(1, 4 * mm)]
    story += [_banner(data), Spacer(1, 5 * mm), _results(data), Spacer(1, 2 * mm)]
    story.append(
        Paragraph(
            f"± is the expanded uncertainty (k = 2, about 95 %). {LEGEND}",
            _style("small"),
        )
    )
    story += _pairs_block("Still to turn or to check", data.to_turn, "")
    story += _pairs_block("What was turned", data.turns, "Nothing was turned.")
    story.append(PageBreak())
    story += _pairs_block("The deck", data.deck_facts, "")
    story += _geometry(data)
    story += _pairs_block("Left out, accepted, not applicable", data.left_out, "")
    story.append(KeepTogether(_minding(data)))
    if data.details:
        first, *others = (_detail(detail) for detail in data.details)
        story += [KeepTogether([*_heading("Every reading"), first]), *others]
    return story


def _minding(data: ReportData) -> list[Any]:
    points = [Paragraph("•  " + escape(c), _style("point")) for c in data.cautions]
    return [*_heading("Please mind"), *points]


def _banner(data: ReportData) -> Table:
    colour = COLOURS["within"] if data.finished else COLOURS["undecided"]
    banner = Table([[Paragraph(escape(data.summary), _style("banner"))]], colWidths=[WIDTH])
    banner.setStyle(
        TableStyle(
            [
                ("BACKGROUND", (0, 0), (-1, -1), WASH),
                ("LINEBEFORE", (0, 0), (0, -1), 3, colour),
                ("LEFTPADDING", (0, 0), (-1, -1), 10),
                ("TOPPADDING", (0, 0), (-1, -1), 7),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 8),
            ]
        )
    )
    return banner


def _results(data: ReportData) -> Table:
    head = [Paragraph(t, _style("label")) for t in ("", "Before", "After", "Target", "")]
    rows: list[list[Any]] = [head]
    for row in data.rows:
        colour = COLOURS.get(row.status, QUIET)
        rows.append(
            [
                Paragraph(escape(row.name), _style("name")),
                Paragraph(escape(row.before), _style("quietfigure")),
                Paragraph(escape(row.after) or "–", _style("figure")),
                [
                    Paragraph(escape(row.target), _style("body")),
                    Paragraph(escape(row.origin), _style("small")),
                ],
                Paragraph(f"{row.sign} {escape(row.status)}", _style("status", colour=colour)),
            ]
        )
    widths = [36 * mm, 36 * mm, 37 * mm, 37 * mm, WIDTH - 146 * mm]
    table = Table(rows, colWidths=widths, repeatRows=1)
    table.setStyle(
        TableStyle(
            [
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
                ("LINEBELOW", (0, 1), (-1, -1), 0.4, RULE),
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("LEFTPADDING", (0, 0), (0, -1), 0),
                ("LEFTPADDING", (1, 0), (-1, -1), 4),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 2.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
            ]
        )
    )
    return table


def _geometry(data: ReportData) -> list[Any]:
    story = _heading("Alignment")
    if data.alignment is not None:
        size = (170.0, 100.0)
        png = alignment_plot(data.alignment, data.mistakes, "png", size_mm=size)
        story.append(Image(io.BytesIO(png), width=WIDTH, height=WIDTH * size[1] / size[0]))
        words = "Full line: the geometry aimed at."
        if any(data.mistakes.values()):
            words += " Dashed: as the last readings found it."
        story.append(Paragraph(words, _style("small")))
    story += _pairs_block("", data.geometry_facts, "")
    story += _pairs_block("Mechanics", data.mechanics_facts, "")
    return story


def _detail(detail: Detail) -> Table:
    text = [
        Paragraph(escape(detail.title), _style("name")),
        Paragraph(escape(detail.figure), _style("big")),
        Paragraph(escape(detail.verdict), _style("body")),
        Paragraph(escape(detail.measurand), _style("small")),
    ]
    if detail.definitional:
        text.append(Paragraph(escape(detail.definitional), _style("small")))
    if detail.budget:
        budget = "; ".join(f"{name} {u}" for name, u, _ in detail.budget)
        text.append(Paragraph("Standard uncertainties: " + escape(budget), _style("small")))
    text += [Paragraph("Note: " + escape(flag), _style("small")) for flag in detail.flags]
    where = "  ·  ".join(p for p in (detail.when, detail.source, detail.photo) if p)
    text.append(Paragraph(escape(where), _style("small")))
    cell: Any = text
    widths = [WIDTH]
    row = [cell]
    if detail.picture is not None:
        row = [_thumbnail(detail.picture), cell]
        widths = [THUMBNAIL[0] + 5 * mm, WIDTH - THUMBNAIL[0] - 5 * mm]
    table = Table([row], colWidths=widths)
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
                ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
            ]
        )
    )
    return table


def _thumbnail(picture: bytes) -> Image | Paragraph:
    from PIL import Image as Pillow

    try:
        with Pillow.open(io.BytesIO(picture)) as opened:
            opened.thumbnail((900, 900))
            small = io.BytesIO()
            opened.convert("RGB").save(small, "JPEG", quality=85)
            width, height = opened.size
    except (OSError, ValueError):
        return Paragraph("The picture cannot be shown.", _style("small"))
    scale = min(THUMBNAIL[0] / width, THUMBNAIL[1] / height)
    small.seek(0)
    return Image(small, width=width * scale, height=height * scale)


def _heading(text: str) -> list[Any]:
    if not text:
        return [Spacer(1, 3 * mm)]
    rule = HRFlowable(width="100%", thickness=0.8, color=TEAL, spaceBefore=1, spaceAfter=5)
    return [Spacer(1, 5 * mm), Paragraph(escape(text), _style("heading")), rule]


def _pairs_block(title: str, pairs: tuple[tuple[str, str], ...], empty: str) -> list[Any]:
    if not pairs:
        return [*_heading(title), Paragraph(empty, _style("body"))] if empty else []
    rows = [
        [Paragraph(escape(a), _style("quiet")), Paragraph(escape(b), _style("body"))]
        for a, b in pairs
    ]
    table = Table(rows, colWidths=[48 * mm, WIDTH - 48 * mm])
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ]
        )
    )
    return [*_heading(title), table]


def _footer(canvas: Any, document: Any, data: ReportData) -> None:
    canvas.saveState()
    canvas.setStrokeColor(RULE)
    canvas.setLineWidth(0.5)
    canvas.line(MARGIN, 15 * mm, A4[0] - MARGIN, 15 * mm)
    canvas.setFont("Sans", 7)
    canvas.setFillColor(QUIET)
    canvas.drawString(MARGIN, 11 * mm, data.version)
    canvas.drawRightString(A4[0] - MARGIN, 11 * mm, f"{data.title}  ·  page {document.page}")
    canvas.restoreState()


_STYLES: dict[str, dict[str, Any]] = {
    "title": {"fontName": "Serif", "fontSize": 24, "leading": 30},
    "heading": {"fontName": "Serif", "fontSize": 13, "leading": 17},
    "banner": {"fontName": "Sans", "fontSize": 9.5, "leading": 13.5},
    "label": {"fontName": "Sans", "fontSize": 7.5, "leading": 10, "textColor": QUIET},
    "name": {"fontName": "SansBold", "fontSize": 8.5, "leading": 11},
    "figure": {"fontName": "SansBold", "fontSize": 7.8, "leading": 11},
    "quietfigure": {"fontName": "Sans", "fontSize": 7.8, "leading": 11, "textColor": QUIET},
    "big": {"fontName": "Serif", "fontSize": 14, "leading": 19},
    "body": {"fontName": "Sans", "fontSize": 8.5, "leading": 12},
    "quiet": {"fontName": "Sans", "fontSize": 8.5, "leading": 12, "textColor": QUIET},
    "point": {
        "fontName": "Sans",
        "fontSize": 8,
        "leading": 11,
        "leftIndent": 9,
        "firstLineIndent": -9,
    },
    "small": {"fontName": "Sans", "fontSize": 7, "leading": 9.5, "textColor": QUIET},
    "status": {"fontName": "SansBold", "fontSize": 8, "leading": 10, "alignment": TA_RIGHT},
}


def _style(name: str, colour: Any = None) -> ParagraphStyle:
    options = {"textColor": INK, **_STYLES[name]}
    if colour is not None:
        options["textColor"] = colour
    return ParagraphStyle(name, **options)


@cache
def _fonts() -> None:
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in (
        ("Sans", "DejaVuSans.ttf"),
        ("SansBold", "DejaVuSans-Bold.ttf"),
        ("Serif", "DejaVuSerif.ttf"),
    ):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
