"""The app's own browser parts in plain JavaScript: no build step, nothing fetched from outside.

In: plain data. Out: what the person did. `picker` takes or chooses photos and posts them to the
inbox; `board` shows a photo with the lines of a reading and lets them be dragged; `drawing` shows
one of our own SVG drawings in the colours of the theme.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import streamlit as st

_HERE = Path(__file__).parent


def _part(name: str) -> Any:
    def text(ending: str) -> str:
        return (_HERE / f"{name}.{ending}").read_text("utf-8")

    return st.components.v2.component(
        f"deckplumb_{name}", html=text("html"), css=text("css"), js=text("js")
    )


_picker, _board, _drawing = _part("picker"), _part("board"), _part("drawing")


def picker(
    key: str,
    seen: Sequence[str],
    recent: Sequence[dict[str, Any]] = (),
    kind: str = "photo",
) -> list[str]:
    """Show the two buttons and the last arrivals; return the ids that are to be read now.

    ``seen`` are the ids already taken up; ``recent`` is a list of id, name, when and current.
    """
    result = _picker(
        key=key,
        data={
            "take": f"Take a {kind}",
            "choose": f"Choose a {kind}",
            "kind": kind,
            "seen": list(seen),
            "recent": list(recent),
        },
        default={"sent": []},
        on_sent_change=_nothing,
        on_again_change=_nothing,
    )
    known = set(seen)
    new = [str(i) for i in (result.sent or []) if isinstance(i, str) and i not in known]
    return [*new, str(result.again)] if result.again else new


def board(key: str, data: dict[str, Any]) -> None:
    """Show a photo with lines; `dragged` with the same key tells the lines as dragged.

    ``data``: ``preview`` and ``full`` (URLs), ``width``, ``height`` (pixels), ``lines`` (list of
    name, role, label, points as four numbers 0 to 1), ``handles`` (the same, those that can be
    dragged), ``caption`` (the value), ``alt`` (the picture in words).
    """
    _board(key=key, data=data, default={"marks": None}, on_marks_change=_nothing)


def dragged(key: str, slot: str) -> dict[str, tuple[float, float, float, float]]:
    """Return the lines dragged on the board with this key and slot, each 0 to 1; else empty."""
    held: Any = st.session_state.get(key)
    marks = held.get("marks") if hasattr(held, "get") else None
    if not isinstance(marks, dict) or marks.get("slot") != slot:
        return {}
    lines = marks.get("lines")
    return {
        str(name): (float(p[0]), float(p[1]), float(p[2]), float(p[3]))
        for name, p in (lines.items() if isinstance(lines, dict) else ())
        if isinstance(p, list)
        and len(p) == 4
        and all(isinstance(v, int | float) and 0 <= v <= 1 for v in p)
    }


def drawing(svg: str, words: str, key: str | None = None) -> None:
    """Show one of our own drawings; ``words`` says for a screen reader what it shows."""
    _drawing(key=key, data={"svg": svg, "words": words})


def _nothing() -> None:
    """Only the rerun is wanted."""
