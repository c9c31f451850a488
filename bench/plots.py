"""Plots of an alignment: tracking error and its distortion along the record.

In: an `Alignment` and, if wanted, mistakes as in `bench.arm.with_mistakes`. Out: SVG or PNG
bytes. Colours are Okabe and Ito's colour-blind-safe set (2008); lines differ by dash as well.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Any

from bench.arm import Alignment, distortion_percent, groove_radii, with_mistakes

_ONE_AT_A_TIME = Lock()
INK, SOFT, WANTED, AS_SET, PAPER = "#1d282d", "#b9b4a6", "#00618f", "#a8540a", "#ffffff"


def alignment_plot(
    alignment: Alignment,
    mistakes: Mapping[str, float] | None = None,
    file_format: str = "svg",
    peak_velocity_mm_s: float = 100.0,
    rpm: float = 100.0 / 3.0,
    size_mm: tuple[float, float] = (170.0, 110.0),
) -> bytes:
    """Draw tracking error above and second-harmonic distortion below, along the radius.

    Parameters
    ----------
    alignment : Alignment
        Drawn as a full line, its null points marked.
    mistakes : mapping of str to float, optional
        ``overhang_error_mm``, ``mounting_error_mm``, ``cantilever_deg``: drawn dashed.
    file_format : {"svg", "png"}
    peak_velocity_mm_s, rpm : float
        For the distortion.
    size_mm : tuple of float

    Raises
    ------
    ValueError
        For another format, or where the arm as set does not reach the record.
    """
    if file_format not in ("svg", "png"):
        raise ValueError(f"plot format: got {file_format!r}, allowed svg or png")
    wrong = tuple(sorted((mistakes or {}).items()))
    return _drawn(alignment, wrong, file_format, peak_velocity_mm_s, rpm, size_mm)


def save_plot(
    path: Path, alignment: Alignment, mistakes: Mapping[str, float] | None = None
) -> None:
    """Write the plot; the ending (.svg or .png) says which kind."""
    ending = path.suffix.lower().lstrip(".")
    path.write_bytes(alignment_plot(alignment, mistakes, ending))


@lru_cache(maxsize=32)
def _drawn(
    alignment: Alignment,
    wrong: tuple[tuple[str, float], ...],
    file_format: str,
    peak_velocity_mm_s: float,
    rpm: float,
    size_mm: tuple[float, float],
) -> bytes:
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    radii = groove_radii(alignment.radii)
    style: dict[Any, Any] = {
        "font.family": "DejaVu Sans",
        "font.size": 8,
        "svg.fonttype": "path",
        "svg.hashsalt": "deckplumb",
        "axes.edgecolor": SOFT,
        "axes.labelcolor": INK,
        "xtick.color": INK,
        "ytick.color": INK,
    }
    with _ONE_AT_A_TIME, rc_context(style):  # matplotlib's settings are shared by all threads
        figure = Figure(figsize=(size_mm[0] / 25.4, size_mm[1] / 25.4), layout="constrained")
        FigureCanvasAgg(figure)
        above, below = figure.subplots(2, 1, sharex=True)
        wanted = alignment.error_deg(radii)
        above.axhline(0.0, color=SOFT, linewidth=0.8)
        above.plot(radii, wanted, color=WANTED, label="as aligned")
        below.plot(radii, distortion_percent(radii, wanted, peak_velocity_mm_s, rpm), color=WANTED)
        if any(value for _, value in wrong):
            actual = with_mistakes(alignment, **dict(wrong))
            error = actual.error_deg(radii)
            above.plot(radii, error, color=AS_SET, linestyle="--", label="as set")
            lost = distortion_percent(radii, error, peak_velocity_mm_s, rpm)
            below.plot(radii, lost, color=AS_SET, linestyle="--")
            above.legend(frameon=False, loc="upper center", ncols=2)
        for null in alignment.null_points_mm:
            for axes in (above, below):
                axes.axvline(null, color=SOFT, linewidth=0.8, linestyle=":")
            above.annotate(
                f"null {null:.1f} mm",
                (null, 0.0),
                xycoords=("data", "axes fraction"),
                xytext=(3, 4),
                textcoords="offset points",
                color=INK,
                fontsize=7,
            )
        above.set_ylabel("tracking error, °")
        below.set_ylabel("2nd harmonic, %")
        below.set_xlabel("distance from the spindle, mm (label side on the left)")
        below.set_ylim(bottom=0.0)
        for axes in (above, below):
            axes.spines[["top", "right"]].set_visible(False)
            axes.margins(x=0.01)
        out = io.BytesIO()
        metadata = {"Date": None, "Creator": None} if file_format == "svg" else {"Software": None}
        figure.savefig(out, format=file_format, dpi=200, facecolor=PAPER, metadata=metadata)
    return out.getvalue()
