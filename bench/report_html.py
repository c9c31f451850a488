"""The report as one self-contained HTML page: no script, no outside address, prints well.

In: `ReportData`. Out: HTML text. The same contents as the PDF.
"""

from __future__ import annotations

import base64
import io
from html import escape

from bench.plots import alignment_plot
from bench.report_data import LEGEND, Detail, ReportData

_CSS = """
:root{--ink:#1d282d;--quiet:#5a6468;--rule:#cfcabc;--teal:#0f5f63;--wash:#f3f0e8;--paper:#fff;
--good:#1b5e34;--bad:#8f2d1c;--open:#7a4a00}
@media(prefers-color-scheme:dark){:root{--ink:#ece7dc;--quiet:#b5bdbf;--rule:#3c474c;
--teal:#93d6d0;--wash:#1f282c;--paper:#12181b;--good:#9fd8ae;--bad:#f2a897;--open:#f0c27a}
figure.plot img{background:#fff;border-radius:8px}}
@media print{:root{--ink:#1d282d;--quiet:#5a6468;--rule:#cfcabc;--teal:#0f5f63;--wash:#f3f0e8;
--paper:#fff;--good:#1b5e34;--bad:#8f2d1c;--open:#7a4a00}}
*{box-sizing:border-box}body{margin:0;background:var(--paper);color:var(--ink);
font:16px/1.5 system-ui,-apple-system,'Segoe UI',Roboto,'Noto Sans','DejaVu Sans',sans-serif}
main{max-width:60rem;margin:0 auto;padding:2rem 1.2rem 4rem}
h1,h2{font-family:Georgia,'DejaVu Serif',serif;font-weight:400}h1{font-size:2.2rem;margin:.1em 0}
h2{font-size:1.35rem;border-bottom:2px solid var(--teal);padding-bottom:.2em;margin-top:2.2em}
.kind{color:var(--teal);letter-spacing:.08em;text-transform:uppercase;font-size:.8rem}
.quiet,small{color:var(--quiet)}small{display:block;font-size:.8rem;line-height:1.4}
.banner{background:var(--wash);border-left:4px solid var(--open);padding:.8em 1em;margin:1.4em 0}
.banner.finished{border-color:var(--good)}
.wide{overflow-x:auto}table{border-collapse:collapse;width:100%}
th{text-align:left;font-weight:400;font-size:.8rem;color:var(--quiet)}
th,td{padding:.45em .6em .45em 0;border-bottom:1px solid var(--rule);vertical-align:top}
td.figure{font-weight:600;white-space:nowrap}td.before{color:var(--quiet);white-space:nowrap}
td.name{font-weight:600}.s{white-space:nowrap;font-weight:600;color:var(--quiet)}
.within,.within-as-shown,.done,.set-by-rake,.set-by-overhang{color:var(--good)}.outside{color:var(--bad)}
.undecided,.check-again{color:var(--open)}
dl{display:grid;grid-template-columns:minmax(9rem,14rem) 1fr;gap:.25em 1em}
dt{color:var(--quiet)}dd{margin:0}img{max-width:100%;height:auto}figure{margin:1em 0}
.reading{display:flex;flex-wrap:wrap;gap:1.2rem;border-bottom:1px solid var(--rule);
padding:1rem 0;break-inside:avoid}.reading img{width:20rem;border-radius:6px}
@media(max-width:42rem){table,tbody{display:block}tr:first-child{display:none}
tr{display:grid;grid-template-columns:1fr auto;border-bottom:1px solid var(--rule);padding:.5em 0}
td{border:0;padding:.1em .4em .1em 0}td.before{grid-column:1;order:2}td.figure{grid-column:1;
order:3}td.s{grid-column:2;grid-row:1}td.target{grid-column:1/3;order:4}
td.before:not(:empty)::before{content:"before "}dl{grid-template-columns:1fr}dt{margin-top:.5em}}
.reading>div{flex:1 1 18rem}.big{font:1.5rem Georgia,'DejaVu Serif',serif}
"""


def html_of(data: ReportData) -> str:
    """Lay the report out; return the page."""
    line = "  ·  ".join(p for p in (data.subtitle, data.when) if p)
    parts = [
        "<!doctype html><html lang=en><head><meta charset=utf-8>",
        "<meta name=viewport content='width=device-width,initial-scale=1'>",
        f"<title>Set-up report: {escape(data.title)}</title><style>{_CSS}</style></head><body>",
        f"<main><div class=kind>Set-up report</div><h1>{escape(data.title)}</h1>",
        f"<div class=quiet>{escape(line)}</div>",
        f"<div class='banner{' finished' if data.finished else ''}'>{escape(data.summary)}</div>",
        _results(data),
        f"<small>± is the expanded uncertainty (k = 2, about 95 %). {LEGEND}</small>",
        _pairs("Still to turn or to check", data.to_turn),
        _pairs("What was turned", data.turns, "Nothing was turned."),
        _pairs("The deck", data.deck_facts),
        "<h2>Alignment</h2>",
        _plot(data),
        _pairs("", data.geometry_facts),
        _pairs("Mechanics", data.mechanics_facts),
        "<h2>Every reading</h2>" if data.details else "",
        *(_detail(d) for d in data.details),
        _pairs("Left out, accepted, not applicable", data.left_out),
        "<h2>Please mind</h2><ul>",
        *(f"<li>{escape(c)}</li>" for c in data.cautions),
        f"</ul><p class=quiet>{escape(data.version)}</p></main></body></html>",
    ]
    return "".join(parts)


def _results(data: ReportData) -> str:
    rows = [
        f"<tr><td class=name>{escape(r.name)}</td><td class=before>{escape(r.before)}</td>"
        f"<td class=figure>{escape(r.after) or '–'}</td>"
        f"<td class=target>{escape(r.target)}<small>{escape(r.origin)}</small></td>"
        f"<td class='s {_class(r.status)}'>{r.sign} {escape(r.status)}</td></tr>"
        for r in data.rows
    ]
    head = "".join(f"<th scope=col>{t}</th>" for t in ("Setting", "Before", "After", "Target", ""))
    return f"<div class=wide><table><tr>{head}</tr>{''.join(rows)}</table></div>"


def _class(status: str) -> str:
    return status.split(", ")[-1].replace(" ", "-")


def _pairs(title: str, pairs: tuple[tuple[str, str], ...], empty: str = "") -> str:
    if not pairs and not empty:
        return ""
    head = f"<h2>{escape(title)}</h2>" if title else ""
    if not pairs:
        return f"{head}<p>{escape(empty)}</p>"
    body = "".join(f"<dt>{escape(a)}</dt><dd>{escape(b)}</dd>" for a, b in pairs)
    return f"{head}<dl>{body}</dl>"


def _plot(data: ReportData) -> str:
    if data.alignment is None:
        return ""
    svg = alignment_plot(data.alignment, data.mistakes, "svg")
    words = "Full line: the geometry aimed at."
    if any(data.mistakes.values()):
        words += " Dashed: as the last readings found it."
    picture = _inline(svg, "image/svg+xml", "tracking error and distortion along the record")
    return f"<figure class=plot>{picture}<figcaption><small>{words}</small></figcaption></figure>"


def _detail(d: Detail) -> str:
    picture = "" if d.picture is None else _thumbnail(d.picture, d.title)
    lines = [f"<div class=big>{escape(d.figure)}</div>", f"<div>{escape(d.verdict)}</div>"]
    small = [d.measurand, d.definitional]
    if d.budget:
        small.append("Standard uncertainties: " + "; ".join(f"{n} {u}" for n, u, _ in d.budget))
    small += [f"Note: {flag}" for flag in d.flags]
    small.append("  ·  ".join(p for p in (d.when, d.source, d.photo) if p))
    lines += [f"<small>{escape(s)}</small>" for s in small if s]
    return f"<div class=reading>{picture}<div><b>{escape(d.title)}</b>{''.join(lines)}</div></div>"


def _thumbnail(picture: bytes, name: str) -> str:
    from PIL import Image

    try:
        with Image.open(io.BytesIO(picture)) as opened:
            opened.thumbnail((1000, 1000))
            small = io.BytesIO()
            opened.convert("RGB").save(small, "JPEG", quality=82)
    except (OSError, ValueError):
        return ""
    return _inline(small.getvalue(), "image/jpeg", f"photo of {name}")


def _inline(data: bytes, kind: str, words: str) -> str:
    code = base64.b64encode(data).decode()
    return f"<img alt='{escape(words, quote=True)}' src='data:{kind};base64,{code}'>"
