"""Verdicts by JCGM 106, and advice that leads into tolerance on an arm made of vectors."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from scipy.spatial.transform import Rotation

from bench.advice import advise
from bench.deck import Arm, Cartridge, Deck
from bench.disturb import DIRECTIONS, MOVES, Turn, disturbances
from bench.example_decks import examples
from bench.targets import DEFAULT_TARGETS, NoTarget, Target
from bench.verdict import conformance_probability, figure, judge, judge_reading
from tests.rig import Rig
from vision.reading import BudgetPart, Reading

DECKS = examples()
RAKE = DEFAULT_TARGETS["rake"]


def test_conformance_probability_of_the_guides_examples():
    """JCGM 106:2012, 7.4: viscosity 13.6 ± 1.8 against 12.5 to 16.3 conforms with p = 0.66.

    And 7.3: breakdown voltage -5.47 V with u = 0.05 V against an upper limit of -5.40 V: 0.92.
    """
    oil = Target("overhang", 14.0, 12.5, 16.3)
    assert conformance_probability(13.6, 1.8, oil) == pytest.approx(0.66, abs=0.005)
    diode = Target("overhang", -5.5, None, -5.40)
    assert conformance_probability(-5.47, 0.05, diode) == pytest.approx(0.92, abs=0.005)


@settings(max_examples=80, deadline=None)
@given(st.floats(88, 96), st.floats(0.01, 2.0))
def test_probability_is_scipys_and_guard_bands_keep_their_promise(value, u):
    verdict = judge(value, u, RAKE)
    normal = stats.norm(value, u)
    assert verdict.probability == pytest.approx(normal.cdf(93) - normal.cdf(91), abs=1e-9)
    # With w = 2u a wrong "within" or "outside" has at most 2.3 % on each side (JCGM 106, 8.3.3).
    if verdict.outcome == "within":
        assert verdict.probability >= 1 - 2 * stats.norm.sf(2) - 1e-12
    if verdict.outcome == "outside":
        assert verdict.probability < stats.norm.sf(2) + 1e-9


@pytest.mark.parametrize(
    ("value", "u", "outcome"),
    [
        (92.0, 0.2, "within"),
        (92.6, 0.2, "within"),
        (92.61, 0.2, "undecided"),
        (93.4, 0.2, "undecided"),
        (93.41, 0.2, "outside"),
        (90.59, 0.2, "outside"),
        (92.0, 0.51, "undecided"),
    ],
)
def test_guard_bands_at_their_edges(value, u, outcome):
    """Acceptance interval [91 + U, 93 - U], rejection beyond 93 + U, with U = 2u."""
    assert judge(value, u, RAKE).outcome == outcome


def test_one_sided_limit():
    level = DEFAULT_TARGETS["platter-level"]
    assert judge(0.0, 0.04, level).outcome == "within"
    assert judge(0.05, 0.04, level).outcome == "undecided"
    assert judge(0.19, 0.04, level).outcome == "outside"


def test_definitional_uncertainty_counts_in_verdicts_and_is_told_apart():
    plain, doubtful = judge(92.1, 0.1, RAKE), judge(92.1, 0.1, RAKE, 0.9)
    assert plain.outcome == "within"
    assert doubtful.outcome == "undecided"
    assert doubtful.within_as_shown
    assert doubtful.expanded_uncertainty == pytest.approx(2 * math.hypot(0.1, 0.9))
    assert "contact edge" in doubtful.sentence
    stated = replace(RAKE, definitional_uncertainty=0.2)
    assert judge(92.1, 0.1, stated, 0.9).outcome == "within"
    assert not judge(94.5, 0.1, RAKE, 0.9).within_as_shown


def reading(quantity, value, *flags, unit="deg"):
    return Reading(quantity, value, unit, "test", (BudgetPart("edge", 0.05),), 0.0, (), flags)


def test_flags_take_the_verdict_away():
    deck = DECKS["deck-a"]
    assert judge_reading(reading("rake", 92.0), deck).outcome == "within"
    for flag in ("surface_height_unknown", "mirrored_suspect"):
        verdict = judge_reading(reading("rake", 92.0, flag), deck)
        assert verdict.outcome == "no verdict"
        assert verdict.probability is None
    assert judge_reading(reading("rake", 92.0), DECKS["deck-b"]).outcome == "no verdict"


@pytest.mark.parametrize(("value", "u"), [(math.nan, 0.1), (1.0, 0.0), (1.0, math.inf)])
def test_a_verdict_needs_finite_figures(value, u):
    with pytest.raises(ValueError, match="allowed"):
        judge(value, u, RAKE)


def test_figures_of_every_unit_round_alike():
    assert figure(1.234, 0.02, "gf") == "1.234 gf ± 0.020 gf"
    assert figure(-0.4, 0.5, "dB") == "-0.4 dB ± 0.5 dB"
    with pytest.raises(ValueError, match="unit"):
        figure(1.0, 0.1, "oz")


# -- Advice, applied to an arm made of vectors -----------------------------------------------------

HANDS = {
    ("height", "raise"): lambda rig, amount: rig.raise_pivot(amount),
    ("height", "lower"): lambda rig, amount: rig.raise_pivot(-amount),
    ("base-spacer", "raise"): lambda rig, amount: rig.raise_pivot(amount),
    ("mat", "thicker"): lambda rig, amount: rig.raise_pivot(-amount),
    ("azimuth-collar", "clockwise"): lambda rig, amount: rig.roll_headshell(amount),
    ("azimuth-collar", "counter-clockwise"): lambda rig, amount: rig.roll_headshell(-amount),
    ("wedge", "clockwise"): lambda rig, amount: rig.roll_headshell(amount),
    ("wedge", "counter-clockwise"): lambda rig, amount: rig.roll_headshell(-amount),
    ("azimuth-tube", "clockwise"): lambda rig, amount: rig.roll_tube(amount),
    ("azimuth-tube", "counter-clockwise"): lambda rig, amount: rig.roll_tube(-amount),
    ("lateral-balance", "clockwise"): lambda rig, amount: rig.roll_tube(amount),
    ("lateral-balance", "counter-clockwise"): lambda rig, amount: rig.roll_tube(-amount),
    ("sliding-base", "away from the spindle"): lambda rig, amount: rig.move_base(amount),
    ("sliding-base", "towards the spindle"): lambda rig, amount: rig.move_base(-amount),
}


def apply(rig, turn):
    if turn.adjuster == "slots":
        if turn.unit == "deg":
            sign = 1 if turn.direction == "clockwise" else -1
            return rig.turn_cartridge(sign * turn.amount)
        return rig.slide_cartridge(turn.amount if turn.direction == "forward" else -turn.amount)
    return HANDS[turn.adjuster, turn.direction](rig, turn.amount)


def deck_with(*adjusters, bearing="cartridge", **arm):
    return Deck(
        "Test",
        Arm("arm", adjusters=frozenset(adjusters), bearing_axis=bearing, offset_deg=23.97, **arm),
        Cartridge("c", force_low_gf=1.8, force_high_gf=2.2, compliance_um_per_mn=10.0),
        mounting_distance_mm=211.95,
    )


LOOPS = [
    ("rake", ("height",), "cartridge", lambda r, x: r.raise_pivot(3.5 * x)),
    ("rake", ("height",), "arm-line", lambda r, x: r.raise_pivot(3.5 * x)),
    ("rake", (), "cartridge", lambda r, x: r.raise_pivot(3.5 * x)),
    ("azimuth", ("azimuth-collar",), "cartridge", lambda r, x: r.roll_headshell(x)),
    ("azimuth", ("azimuth-tube",), "arm-line", lambda r, x: r.roll_tube(x)),
    ("azimuth", ("lateral-balance",), "arm-line", lambda r, x: r.roll_tube(x)),
    ("azimuth", (), "cartridge", lambda r, x: r.roll_headshell(x)),
    ("cantilever", ("slots",), "cartridge", lambda r, x: r.turn_cartridge(x)),
    ("overhang", ("slots",), "cartridge", lambda r, x: r.slide_cartridge(x)),
    ("overhang", ("sliding-base",), "cartridge", lambda r, x: r.move_base(x)),
]


@pytest.mark.parametrize(("quantity", "adjusters", "bearing", "spoil"), LOOPS)
@pytest.mark.parametrize("amount", [-2.0, 1.5])
def test_following_the_advice_ends_within(quantity, adjusters, bearing, spoil, amount):
    """Spoil the setting by hand, read, turn as advised, read again: within, whatever the sign."""
    deck = deck_with(*adjusters, bearing=bearing)
    rig = Rig(bearing=bearing)
    spoil(rig, amount)
    deck = replace(deck, arm=replace(deck.arm, pivot_height_mm=rig.pivot_height))
    before = getattr(rig, quantity)
    assert judge(before, 0.05, deck.target(quantity)).outcome == "outside"
    advice = advise(deck, quantity, before, 0.05)
    others = {q: getattr(rig, q) for q in ("rake", "azimuth", "cantilever", "overhang")}
    apply(rig, advice.turn)
    after = getattr(rig, quantity)
    assert judge(after, 0.05, deck.target(quantity)).outcome == "within", advice.sentence
    # What it disturbs, as predicted: to a tenth of the change and 0.03 of a unit.
    for moved in advice.disturbs:
        if moved.change is None or moved.quantity not in others or moved.quantity == quantity:
            continue
        if advice.turn.adjuster in ("azimuth-collar", "wedge") and moved.quantity == "overhang":
            continue  # the rig's collar passes through the stylus; checked below
        got = getattr(rig, moved.quantity) - others[moved.quantity]
        assert got == pytest.approx(moved.change, rel=0.1, abs=0.03), moved


def test_stated_amounts_are_honest():
    """Of 200 noisy readings the amount's U holds the truly needed amount as often as it claims.

    The needed height is found by a root finder on the rig; the count must lie inside the exact
    binomial 95 % interval round 0.9545, the share of k = 2 (SciPy).
    """
    rng = np.random.default_rng(20)
    deck, held, count = deck_with("height"), 0, 200
    for _ in range(count):
        spoilt = float(rng.choice([-1, 1]) * rng.uniform(3.0, 7.0))
        rig = Rig(shank_lean=2.0)
        rig.raise_pivot(spoilt)

        def miss(height, rig=rig):
            trial = replace(rig)
            trial.raise_pivot(height)
            return trial.rake - 92.0

        needed = optimize.brentq(miss, -12.0, 12.0)
        u = 0.15
        turn = advise(deck, "rake", rig.rake + rng.normal(0.0, u), u).turn
        if turn is None:
            count -= 1
            continue
        amount = turn.amount if turn.direction == "raise" else -turn.amount
        held += abs(amount - needed) <= turn.expanded_uncertainty
    low, high = stats.binom(count, 0.9545).interval(0.95)
    assert count >= 190
    assert low <= held <= high


def test_collar_moves_the_stylus_sideways_as_an_arc():
    """A tip 15 mm under the collar's axis swings by 15·sin(roll), sin(offset) of it towards."""
    beta = math.radians(23.97)
    tail = np.array([math.cos(beta), -math.sin(beta), 0.0])
    tip = np.array([0.0, 0.0, -15.0])
    shift = Rotation.from_rotvec(tail * math.radians(2.0)).apply(tip) - tip
    turn = Turn("azimuth-collar", "collar", "clockwise", 2.0, 0.1, "deg")
    moved = {d.quantity: d.change for d in disturbances(deck_with("azimuth-collar"), turn)}
    assert moved["overhang"] == pytest.approx(-shift[0], abs=0.01)


@pytest.mark.parametrize("key", DECKS)
@pytest.mark.parametrize("quantity", sorted(DEFAULT_TARGETS | {"overhang": 0, "tracking-force": 0}))
@pytest.mark.parametrize("miss", [-1.4, 1.4])
def test_advice_never_names_an_adjuster_that_the_deck_lacks(key, quantity, miss):
    deck = DECKS[key]
    target = deck.target(quantity)
    aim = 0.0 if isinstance(target, NoTarget) else target.aim
    advice = advise(deck, quantity, aim + miss, 0.02, direction_deg=30.0)
    assert advice.sentence
    if isinstance(target, NoTarget):
        assert advice.turn is None
    if advice.turn is None:
        return
    workarounds = {"mat", "base-spacer", "wedge"}
    assert advice.turn.adjuster in workarounds or deck.can(advice.turn.adjuster)
    if advice.turn.adjuster in ("mat", "base-spacer"):
        assert not deck.can("height")
    if advice.turn.adjuster == "wedge":
        assert not deck.can("azimuth-collar")
        assert not deck.cartridge.integrated
    assert advice.cautions
    assert advice.disturbs[0].matters


def test_no_direction_without_proof():
    """A miss smaller than its uncertainty never yields a turn, whichever side it is on."""
    deck = DECKS["deck-a"]
    for value in (0.3, -0.3):
        advice = advise(deck, "azimuth", value, 0.2)
        assert advice.turn is None
        assert "not turn" in advice.sentence
    assert advise(deck, "azimuth", 0.1, 0.05).sentence.startswith("Leave it")
    assert advise(deck, "crosstalk-difference", 8.0, 0.5).turn is None


def test_amounts_are_rounded_by_their_uncertainty():
    """308·sin(1°)/cos(17.7°) is 5.64 mm a degree; U = 0.3° leaves 1.7 mm: no hundredths."""
    advice = advise(DECKS["twelve-inch"], "rake", 91.0 - 0.9, 0.15)
    assert "mm ± 1.7 mm" in advice.sentence
    assert "Raise the arm at the pivot by 10.7 mm" in advice.sentence


def test_impossible_changes_are_not_advised():
    deck = DECKS["deck-a"]
    assert advise(deck, "rake", 80.0, 0.1).turn is None
    assert "effective length" in advise(deck, "overhang", 60.0, 0.1).sentence


def test_speed_by_pulley_says_unplug():
    advice = advise(DECKS["deck-b"], "speed", 1.0, 0.02)
    assert any("Unplug" in c for c in advice.cautions)
    assert advice.turn.direction == "slower"


def test_unknown_bearing_axis_widens_the_amount():
    known = advise(deck_with("height"), "rake", 90.0, 0.05).turn
    unknown = advise(deck_with("height", bearing="unknown"), "rake", 90.0, 0.05).turn
    assert unknown.expanded_uncertainty > 1.5 * known.expanded_uncertainty


def test_every_adjuster_moves_something_and_turns_are_checked():
    for adjuster in MOVES:
        way = {"mat": "thicker", "speed-trim": "faster"}.get(adjuster, "more")
        turn = Turn(adjuster, adjuster, way, 0.5, 0.1, "mm")
        assert turn.direction in DIRECTIONS
        assert disturbances(DECKS["deck-a"], turn)
    with pytest.raises(ValueError, match="adjuster"):
        Turn("hammer", "", "more", 1.0, 0.1, "mm")
    with pytest.raises(ValueError, match="direction"):
        Turn("height", "", "up", 1.0, 0.1, "mm")
    with pytest.raises(ValueError, match="amount"):
        Turn("height", "", "raise", -1.0, 0.1, "mm")
