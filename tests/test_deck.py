"""Deck records: validation, targets, adjusters, TOML."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.arm import RADIUS_SETS, align, align_at_distance
from bench.deck import ADJUSTERS, Arm, Cartridge, Deck, Foot
from bench.deck_file import from_toml, to_toml
from bench.example_decks import examples
from bench.targets import (
    COMMON_PRACTICE,
    DEFAULT_TARGETS,
    MAKERS_SHEET,
    UNIT_OF,
    NoTarget,
    Target,
    force_target,
)

DECKS = examples()
PLAIN = Deck("Plain", Arm("arm"), Cartridge("cartridge"))


@pytest.mark.parametrize("key", DECKS)
def test_every_example_survives_its_file(key):
    assert from_toml(to_toml(DECKS[key])) == DECKS[key]


@pytest.mark.parametrize("key", DECKS)
@pytest.mark.parametrize("quantity", UNIT_OF)
def test_every_quantity_has_a_target_or_a_reason(key, quantity):
    target = DECKS[key].target(quantity)
    assert target.quantity == quantity
    assert target.text()
    if isinstance(target, Target):
        assert target.origin
    else:
        assert len(target.reason) > 10


@settings(max_examples=40, deadline=None)
@given(
    st.floats(150, 400),
    st.sampled_from(sorted(RADIUS_SETS)),
    st.sampled_from(["conical", "elliptical", "long-edge", "unknown"]),
    st.text(min_size=1, max_size=40).filter(str.strip),
    st.frozensets(st.sampled_from(sorted(ADJUSTERS))),
)
def test_any_valid_deck_survives_its_file(length, radii, tip, name, adjusters):
    deck = Deck(
        name,
        Arm("arm", effective_length_mm=length, adjusters=adjusters),
        Cartridge("c", tip=tip, force_low_gf=1.0, force_high_gf=2.0),
        radii=RADIUS_SETS[radii],
        feet=(Foot("a", 0, 0), Foot("b", 100, 0), Foot("c", 0, 100)),
    )
    assert from_toml(to_toml(deck)) == deck


def test_default_targets_are_the_trades_own():
    """Common practice, no source, from memory: 92° ± 1°, ± 0.5° , ± 0.3 %, 8 to 12 Hz."""
    shown = {q: t.text() for q, t in DEFAULT_TARGETS.items()}
    assert shown["rake"] == "92° ± 1°"
    assert shown["azimuth"] == shown["cantilever"] == "0° ± 0.5°"
    assert shown["platter-level"] == "up to 0.1°"
    assert shown["speed"] == "0 % ± 0.3 %"
    assert (DEFAULT_TARGETS["resonance"].low, DEFAULT_TARGETS["resonance"].high) == (8, 12)
    assert {t.origin for t in DEFAULT_TARGETS.values()} == {COMMON_PRACTICE}


def test_force_target_stays_inside_the_makers_range():
    target = force_target(1.8, 2.2, 2.18)
    assert (target.low, target.high) == pytest.approx((2.13, 2.2))
    assert target.origin == MAKERS_SHEET
    assert force_target(None, None, None) is None
    assert force_target(1.0, 2.0, None).aim == 1.5


def test_lengths_follow_what_is_fixed():
    """A fixed base with slots decides the effective length; without slots the arm's own does."""
    fixed = replace(PLAIN, mounting_distance_mm=215.0)
    want = align_at_distance(215.0, "lofgren-a", fixed.radii)
    assert fixed.alignment() == want
    assert fixed.target("overhang").aim == pytest.approx(want.overhang_mm)
    integrated = replace(fixed, cartridge=replace(PLAIN.cartridge, integrated=True))
    assert not integrated.can("slots")
    assert integrated.alignment() == align(230.0, "lofgren-a", fixed.radii)
    assert integrated.offset_deg == pytest.approx(23.97, abs=0.01)


def test_what_does_not_apply_says_why():
    assert "conical" in DECKS["deck-b"].target("rake").reason
    assert "linear" in DECKS["linear"].target("overhang").reason
    assert isinstance(DECKS["linear"].target("anti-skate"), NoTarget)
    assert "changes sign" in DECKS["underhung"].target("anti-skate").reason
    assert "enter" in PLAIN.target("tracking-force").reason
    own = Target("rake", 91.0, 90.5, 91.5, MAKERS_SHEET)
    assert PLAIN.with_target(own).with_target(own).target("rake") == own


def test_resonance_of_a_deck_carries_the_compliance_doubt():
    """Arm 12 g, cartridge 6.5 g and screws 1 g on 9 µm/mN at 100 Hz: 1.5 to 2 times softer."""
    low, high = DECKS["deck-a"].resonance_hz()
    assert (low, high) == pytest.approx((8.50, 9.81), abs=0.01)
    assert PLAIN.resonance_hz() is None


BAD = [
    (lambda: Cartridge("c", force_gf=20.0), "millinewtons? 20 mN is 2.04 gf"),
    (lambda: Cartridge("c", force_gf=-1.0), "force: got -1 gf"),
    (lambda: Cartridge("c", force_low_gf=2.0, force_high_gf=1.0), "force range"),
    (lambda: Cartridge("c", force_low_gf=1.0, force_high_gf=2.0, force_gf=3.0), "maker's range"),
    (lambda: Cartridge("c", mass_g=0.0), "cartridge mass: got 0 g"),
    (lambda: Cartridge("", 5.0), "cartridge name"),
    (lambda: Cartridge("c", tip="round"), "tip: got 'round'"),
    (lambda: Cartridge("c", rake_deg=9.2), "rake target"),
    (lambda: Cartridge("c", compliance_um_per_mn=10, compliance_stated_at="1 Hz"), "10 Hz"),
    (lambda: Arm("a", effective_length_mm=9.0), "inches"),
    (lambda: Arm("a", effective_length_mm=float("nan")), "effective length: got nan"),
    (lambda: Arm("a", kind="parallel"), "arm kind"),
    (lambda: Arm("a", kind="underhung", offset_deg=20.0), "offset: got 20"),
    (lambda: Arm("a", adjusters=frozenset({"magic"})), "arm adjusters: got 'magic'"),
    (lambda: Arm("a", adjusters="slots"), "allowed a list"),
    (lambda: Arm("a", moving_mass_g=1.0), "moving mass"),
    (lambda: replace(PLAIN, mounting_distance_mm=240.0), "less than the effective length"),
    (lambda: replace(DECKS["underhung"], mounting_distance_mm=220.0), "more than the effective"),
    (lambda: replace(PLAIN, record_mm=0.0), "record thickness: got 0 mm"),
    (lambda: replace(PLAIN, speeds_rpm=()), "speeds"),
    (lambda: replace(PLAIN, feet=(Foot("a", 0, 0),)), "feet: got 1"),
    (lambda: replace(PLAIN, geometry="best"), "geometry"),
    (lambda: Target("rake", 95.0, 91.0, 93.0), "rake target"),
    (lambda: Target("rake", 92.0, None, None), "at least one"),
    (lambda: Target("loudness", 1, 0, 2), "loudness"),
    (lambda: Target("rake", 92.0, 91.0, 93.0, "hearsay"), "origin"),
    (lambda: replace(PLAIN, targets=(DEFAULT_TARGETS["rake"],) * 2), "twice"),
    (lambda: PLAIN.can("hammer"), "adjuster"),
    (lambda: PLAIN.target("colour"), "quantity"),
]


@pytest.mark.parametrize(("make", "words"), BAD, ids=[w for _, w in BAD])
def test_bad_figures_name_field_value_and_range(make, words):
    with pytest.raises(ValueError, match=r"got|needed|twice") as caught:
        make()
    assert words in str(caught.value)


GOOD = to_toml(PLAIN)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = ", "not valid TOML"),
        ('name = "x"', "no [arm] table"),
        (GOOD.replace("mass_g", "weight_g"), "unknown field 'weight_g'"),
        (GOOD.replace("230.0", '"230"'), "arm effective_length_mm: got '230', allowed a number"),
        (GOOD.replace("suspended = false", "suspended = 0"), "allowed true or false"),
        (GOOD.replace("deck/1", "deck/9"), "schema"),
        (GOOD.replace('name = "Plain"', ""), "field 'name' is missing"),
        (GOOD.replace('name = "Plain"', "name = 3"), "allowed a text"),
        (GOOD.replace("45.0,", '"fast",'), "allowed a list of numbers"),
        (GOOD + "\n[[targets]]\nquantity = 'rake'\n", "field 'aim' is missing"),
        ("x = '" + "a" * 300_000 + "'", "allowed up to"),
    ],
)
def test_bad_files_name_the_field(text, words):
    with pytest.raises(ValueError, match=r"deck|arm|cartridge|targets") as caught:
        from_toml(text)
    assert words in str(caught.value)


def test_a_target_in_a_file_may_be_open_on_one_side():
    text = GOOD + "\n[[targets]]\nquantity = 'platter-level'\naim = 0.0\nhigh = 0.2\n"
    assert from_toml(text).target("platter-level").text() == "up to 0.2°"
    named = GOOD.split("[radii]")[0] + 'radii = "din"\n'
    moved = "radii = 'din'\n" + GOOD.split("[radii]")[0]
    assert from_toml(moved).radii == RADIUS_SETS["din"]
    with pytest.raises(ValueError, match="radii"):
        from_toml(named)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_whatever_is_in_a_file_only_a_value_error_comes_out(data):
    """Lines of a good file dropped, doubled or with another value: read, or refused by name."""
    odd = st.sampled_from(["-1", "nan", "inf", "1" + "0" * 400, "'x'", "[]", "{}", "true", "''"])
    lines = GOOD.splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(0, len(lines) - 1))
        key = lines[place].split("=")[0]
        lines[place] = f"{key}= {data.draw(odd)}" if data.draw(st.booleans()) else ""
    try:
        deck = from_toml("\n".join(lines))
    except ValueError as problem:
        assert str(problem)
    else:
        assert from_toml(to_toml(deck)) == deck
