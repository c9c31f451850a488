"""Fitted candidates of a head-on photo -> the one to measure, or a reason to refuse.

Comes in: `Fitted` candidates. Goes out: a `Choice`, the azimuth that most of the candidates' weight
stands behind with the best pair of edges that says so, and `doubts` about it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.azimuth_candidate import Candidate
from vision.azimuth_fit import SOME_INK, Fitted, apart, pair_u, same_line
from vision.azimuth_odds import odds
from vision.azimuth_tilt import Tilt
from vision.azimuth_word import Near
from vision.reading import Refusal

QUANTITY = "azimuth"
PAIR_FLOOR_DEG = 0.03
PARALLEL_LOSS, RIVAL_WITHIN = 5.0, 2.5
LEAST_SHARE = 0.85  # of all that may be, of what agrees with the choice
MOST_MISS_DEG = 3.0  # of edges and sides; what is less is in the spread
# In the mirror a rounded edge is a gradient of shading, not an outline, and may be turned by
# BENT_DEG; the four sides tell the same angle to SIDES_DEG, unless the front leans or is not alike
# left and right. How often, from the tuning photographs; every further edge that agrees makes the
# first less likely, an image softer than all else more. Where the pair is a wrong one the sides are
# right as often as elsewhere.
MOST_BENT, SOFTER = 0.4, 1.5
BENT, BENT_DEG, BENT_EACH = 0.04, 0.3, 0.4
# Sides that do not meet their images on the surface are more often borders of other things.
SIDES_DEG, UNLIKE_DEG = 0.13, 0.8
UNLIKE_MET, UNLIKE_APART, APART = 0.1, 0.7, 0.02
LEAST_WIDTH, LEAST_SIDES = 0.19, 2
CUT = 0.02  # of the picture's width: nearer to its rim an edge goes on outside
MODE_DEG, FAR_RIVAL_DEG = 0.25, 0.6
MOST_BLUR_WIDTHS, MOST_SIDE_BLUR_WIDTHS = 0.007, 0.010
SHOW_BOTH = (
    "Photograph the body head-on from 5-12° above with its reflection in a clean mirror, the "
    "whole lower edge and both sides in the frame."
)
AND_SHOW_BOTH = SHOW_BOTH[0].lower() + SHOW_BOTH[1:]


@dataclass(frozen=True)
class Choice:
    """The candidate chosen, what agrees with it, and the share of all weight that does.

    ``others`` are the half slope differences (radians) that may be right too, each with its weight
    against that of the best; ``spread`` (radians) is what the best may be off by itself.
    ``close`` is the share of what says nearly the same, ``nothing`` that of there being nothing to
    measure, ``width`` the longest edge (px) among those that agree.
    """

    best: Fitted
    others: tuple[tuple[float, float], ...]
    spread: float
    share: float
    close: float
    nothing: float
    width: float


def parallel(k: int, fitted: list[Fitted], logs: NDArray[np.float64]) -> bool:
    """Whether a pair looks like two edges on one side of the mirror.

    Two edges of the body, or two of its reflection, are parallel and say 0 whatever the azimuth.
    They betray themselves by a rival that shares one of the two lines, does not say 0, and parts
    two halves that are as much alike.
    """
    own = fitted[k]
    if abs(own.half) > math.radians(0.2):
        return False
    for j, other in enumerate(fitted):
        if (
            logs[j] < logs[k] - RIVAL_WITHIN
            or other.alike < own.alike - 0.15
            or abs(other.half) < abs(own.half) + math.radians(0.25)
        ):
            continue
        mine, theirs = (own.edge.edge, own.image.edge), (other.edge.edge, other.image.edge)
        if any(same_line(a, b) for a in mine for b in theirs):
            return True
    return False


def under_a_body(own: Fitted, candidates: Sequence[Candidate]) -> bool:
    """Whether a pair that says 0 lies in the reflection of a body above it.

    A mirror's front face and its silver each give an image of the body, parallel to each other; the
    body's own edge above them is at least as wide and, unless the azimuth is 0, not parallel to
    them.
    """
    if abs(own.half) > math.radians(0.2):
        return False
    edge = own.candidate.edge
    wide = float(edge[1, 0] - edge[0, 0])
    for other in candidates:
        higher = other.edge
        turn = (higher[1, 1] - higher[0, 1]) / (higher[1, 0] - higher[0, 0])
        if (
            higher[0, 0] - edge[0, 0] < 0.15 * wide
            and edge[1, 0] - higher[1, 0] < 0.15 * wide
            and float((edge[:, 1] - higher[:, 1]).min()) > 0.03 * wide
            and abs(math.atan(turn) - own.edge.edge.angle) > math.radians(1.0)
            and other.parts["cup"] > own.candidate.parts["cup"] - 0.3
        ):
            return True
    return False


def agree(
    fitted: list[Fitted],
    frame: int,
    candidates: Sequence[Candidate] = (),
    near: Near | None = None,
    more: bool = False,
    tilt: Tilt | None = None,
) -> Choice | None:
    """The azimuth most candidates' weight stands behind, and the best candidate of it.

    ``frame`` is the width of the photo, px; ``candidates`` are all that were found, fitted or not;
    ``near`` is what the nearer look's borders say, ``tilt`` what it says as a whole; ``more``
    candidates may be found yet, or not.
    """
    if not fitted:
        return None
    # A label on the body and its reflection look like a small body, and are not the edge asked for.
    wide = [f for f in fitted if span(f) >= LEAST_WIDTH * frame]
    if any(odds(f, near, tilt) > 0 for f in wide):
        fitted = wide
    logs = np.array([odds(f, near, tilt) for f in fitted])
    one_side = [
        parallel(k, fitted, logs) or under_a_body(f, candidates) for k, f in enumerate(fitted)
    ]
    half = np.degrees([f.half for f in fitted])
    logs = logs - PARALLEL_LOSS * np.array(one_side)
    top = max(0.0, float(logs.max()))
    weights, nothing = np.exp(logs - top), math.exp(-top)
    close = np.exp(-0.5 * ((half[:, None] - half[None, :]) / 0.1) ** 2)
    mode = int(np.argmax(close @ weights))
    inside = np.nonzero(np.abs(half - half[mode]) < MODE_DEG)[0]
    # Within the mode every pair is taken to be edges of the same body, so precision counts
    # fully and belief only mildly.
    precision = np.array([1 / (pair_u(fitted[k]) ** 2 + PAIR_FLOOR_DEG**2) for k in inside])
    trust = np.exp(0.5 * (logs[inside] - logs[inside].max())) * precision
    order = np.argsort(-trust)
    best = int(inside[order[0]])
    others = tuple(
        (fitted[inside[k]].half, float(trust[k] / trust[order[0]]))
        for k in order[1:]
        if trust[k] > 0.03 * trust[order[0]]
    )
    # Rivals not far off are a doubt about the value, others about the choice itself.
    off = np.abs(half - half[mode])
    something = float(weights.sum())
    everything = something + nothing
    share = float(weights[off < FAR_RIVAL_DEG].sum()) / everything
    total, own = 1 + sum(w for _, w in others), float(weights[inside].sum())
    close_by = (off >= MODE_DEG) & (off < FAR_RIVAL_DEG) & (weights > 0.003 * weights.max())
    others += tuple(
        (fitted[k].half, total * float(weights[k]) / own) for k in np.nonzero(close_by)[0]
    )
    # Where nothing right was found, more may be, and the sides give warning; in the end it is a
    # reason to refuse, not to heed the sides.
    wrong = 1 - own / everything if more else float(weights[off >= FAR_RIVAL_DEG].sum()) / something
    by_sides, spread = _by_the_sides([fitted[inside[k]] for k in order], total, (near, tilt), wrong)
    others += by_sides
    width = max(span(fitted[k]) for k in inside)
    chosen = fitted[best]
    for k in inside:
        # The same edge may have been found with and without its sides.
        if len(fitted[k].sides) > len(chosen.sides) and same_line(
            fitted[k].edge.edge, chosen.edge.edge
        ):
            chosen = replace(chosen, sides=fitted[k].sides, by_sides=fitted[k].by_sides)
    return Choice(
        chosen,
        others,
        spread,
        share,
        own / everything,
        nothing / everything,
        width,
    )


def _by_the_sides(
    agreeing: list[Fitted],
    total: float,
    words: Sequence[Near | Tilt | None] = (),
    wrong: float = 0.0,
) -> tuple[tuple[tuple[float, float], ...], float]:
    """The angle told by the sides, as a rival, weighed by how likely the edges' shading is bent.

    ``agreeing`` is best first, ``total`` the weight of all it stands against, ``wrong`` how likely
    none of them is right. Second, how far off (radians) the edges are by what the sides cannot
    tell: they may be bent and the sides unlike.
    """
    with_sides = [f for f in agreeing if f.by_sides is not None]
    best = agreeing[0]
    own = min(with_sides, key=apart, default=best)
    bent = BENT * BENT_EACH ** _agreeing_images(agreeing)
    bent = min(MOST_BENT, bent * max(1.0, _softer(own) / SOFTER) ** 2)
    if own.by_sides is None:
        return (), math.radians(BENT_DEG * math.sqrt(bent))
    u_sides = math.hypot(SIDES_DEG, math.degrees(_sides_u(own)))
    u_edges = math.hypot(pair_u(best), PAIR_FLOOR_DEG)
    miss = min(math.degrees(abs(best.half - own.by_sides)), MOST_MISS_DEG)
    differ = UNLIKE_MET + (UNLIKE_APART - UNLIKE_MET) * min(1.0, apart(own) / APART)
    right = (1 - bent) * (1 - differ) * _normal(miss, math.hypot(u_edges, u_sides))
    turned = bent * (1 - differ) * _normal(miss, math.hypot(BENT_DEG, u_sides))
    unlike = (1 - bent) * differ * _normal(miss, UNLIKE_DEG)
    both = bent * differ * _normal(miss, UNLIKE_DEG)
    for word in words:
        if word is not None:
            turned *= math.exp(word.gain(math.degrees(own.by_sides)))
            heard = math.exp(word.gain(math.degrees(best.half)))
            right, unlike = right * heard, unlike * heard
    everything = right + turned + unlike + both
    share = turned / everything
    share += (1 - share) * (1 - differ) * wrong
    rival = (own.by_sides, total * share / (1 - share))
    return (rival,), math.radians(BENT_DEG * math.sqrt(both / everything))


def _normal(x: float, u: float) -> float:
    return math.exp(-0.5 * (x / u) ** 2) / u


def _softer(fitted: Fitted) -> float:
    """Blur of the image's edge over that of the edge and of the sides' images; an outline has 1."""
    images = [f.edge.blur for name, f in fitted.sides.items() if name.endswith("image")]
    return fitted.image.edge.blur / max([fitted.edge.edge.blur, *images])


def _sides_u(fitted: Fitted) -> float:
    return math.sqrt(sum(f.edge.angle_u**2 for f in fitted.sides.values())) / 4


def _agreeing_images(agreeing: list[Fitted]) -> int:
    """How many other images of edges say the same, free of ink and not of one gradient."""
    images = [agreeing[0].image.edge]
    for f in agreeing[1:]:
        edge = f.image.edge
        apart = min(abs(edge.y - o.y) / o.length for o in images)
        off = math.degrees(abs(f.half - agreeing[0].half))
        if (
            apart > 0.05
            and f.ink < SOME_INK
            and off < 2 * math.hypot(pair_u(f), pair_u(agreeing[0]))
        ):
            images.append(edge)
    return len(images) - 1


def span(fitted: Fitted) -> float:
    """Width of the body between its sides, px."""
    return float(np.linalg.norm(fitted.candidate.edge[1] - fitted.candidate.edge[0]))


def doubts(
    choice: Choice,
    sharp: float,
    frame: int,
    least: float = LEAST_SHARE,
    sides: int = LEAST_SIDES,
) -> Refusal | None:
    """Reason not to trust the best candidate, or None.

    ``sharp`` px of blur are always fine; ``frame`` is the width of the photo, px; ``least`` is how
    likely the candidate must be, ``sides`` how many of its sides and their images must be seen.
    """
    best = choice.best
    width = best.edge.edge.length
    blur = best.edge.edge.blur
    if choice.width < LEAST_WIDTH * frame:
        return Refusal(
            QUANTITY,
            f"The body's lower edge spans only {choice.width:.0f} of {frame} px.",
            f"Move closer until it spans at least {0.35 * frame:.0f} px.",
        )
    ends = np.concatenate([np.array(fit.edge.ends)[:, 0] for fit in (best.edge, best.image)])
    if min(ends.min(), frame - 1 - ends.max()) < CUT * frame:
        return Refusal(
            QUANTITY,
            "The body's lower edge, or its reflection, runs out of the picture.",
            SHOW_BOTH,
        )
    if blur > max(MOST_BLUR_WIDTHS * width, sharp):
        return Refusal(
            QUANTITY,
            f"The body's lower edge is blurred over {2 * blur:.0f} px.",
            "Tap on the body's lower edge to focus, hold the phone still or rest it on something, "
            "and add light.",
        )
    if choice.share < least:
        if choice.nothing > 0.5 * (1 - choice.share):
            return Refusal(
                QUANTITY, "No body with its reflection under it was found for certain.", SHOW_BOTH
            )
        return Refusal(
            QUANTITY,
            "Several edges could be the reflected one, and they disagree.",
            f"Clean the mirror, keep printed lines away from the reflection, and {AND_SHOW_BOTH}",
        )
    if len(best.sides) < sides:
        return Refusal(
            QUANTITY, "The body's sides and their reflections are not seen well enough.", SHOW_BOTH
        )
    # The reflected sides lie farther from the focus, and only help to check.
    own = [f.edge.blur for name, f in best.sides.items() if name in ("left", "right")]
    side_blur = float(np.median(own or [f.edge.blur for f in best.sides.values()] or [0.0]))
    if side_blur > max(MOST_SIDE_BLUR_WIDTHS * width, sharp):
        return Refusal(
            QUANTITY,
            f"The body's sides are blurred over {2 * side_blur:.0f} px.",
            "Hold the phone still or rest it on something, and add light.",
        )
    miss = best.sides_miss_deg
    if miss is not None and abs(miss) > MOST_MISS_DEG:
        return Refusal(
            QUANTITY,
            f"The edges and the sides of the body disagree by {abs(miss):.1f}°.",
            "Take care that the whole body and its reflection are seen without anything before "
            "them.",
        )
    return None
