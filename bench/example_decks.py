"""Invented decks to try the program on: no deck, arm or cartridge here exists."""

from __future__ import annotations

from bench.arm import RADIUS_SETS
from bench.deck import Arm, Cartridge, Deck, Foot

_FEET = (
    Foot("left front", -330.0, 60.0),
    Foot("right front", -60.0, -270.0),
    Foot("right rear", 230.0, 20.0),
    Foot("left rear", -40.0, 330.0),
)


def examples() -> dict[str, Deck]:
    """Return invented decks by a short key, the first one the usual nine-inch arm."""
    decks = {
        "deck-a": Deck(
            "Deck A",
            Arm(
                "nine-inch arm",
                effective_length_mm=230.0,
                adjusters=frozenset(
                    {
                        "height",
                        "azimuth-collar",
                        "slots",
                        "removable-headshell",
                        "counterweight",
                        "anti-skate",
                    }
                ),
                bearing_axis="cartridge",
                effective_mass_g=12.0,
                moving_mass_g=340.0,
                centre_below_bearing_mm=1.0,
                counterweight_g=110.0,
                height_screw_pitch_mm=0.75,
            ),
            Cartridge(
                "elliptical cartridge",
                6.5,
                "elliptical",
                "moving-magnet",
                force_low_gf=1.8,
                force_high_gf=2.2,
                force_gf=2.0,
                compliance_um_per_mn=9.0,
                compliance_stated_at="100 Hz",
                rake_deg=92.0,
                edge_u_deg=0.2,
                generator_u_deg=0.1,
            ),
            mounting_distance_mm=211.95,
            record_mm=1.8,
            mirror_mm=3.0,
            adjusters=frozenset({"feet", "speed-trim"}),
            feet=_FEET,
            note="An invented deck.",
        ),
        "deck-b": Deck(
            "Deck B",
            Arm(
                "nine-inch arm without height",
                effective_length_mm=233.0,
                adjusters=frozenset({"slots", "counterweight", "anti-skate"}),
                effective_mass_g=10.0,
                anti_skate="weight",
            ),
            Cartridge(
                "conical cartridge",
                5.5,
                "conical",
                "moving-magnet",
                force_low_gf=2.0,
                force_high_gf=3.0,
                force_gf=2.5,
            ),
            mounting_distance_mm=215.2,
            adjusters=frozenset({"pulley"}),
            note="An invented deck whose arm has neither height nor azimuth.",
        ),
        "twelve-inch": Deck(
            "Deck C",
            Arm(
                "twelve-inch S-shaped arm",
                shape="s",
                effective_length_mm=308.0,
                adjusters=frozenset(
                    {
                        "height",
                        "azimuth-collar",
                        "sliding-base",
                        "removable-headshell",
                        "counterweight",
                        "anti-skate",
                    }
                ),
                bearing_axis="arm-line",
                effective_mass_g=22.0,
            ),
            Cartridge(
                "headshell cartridge",
                28.0,
                "elliptical",
                "moving-coil",
                integrated=True,
                force_low_gf=2.5,
                force_high_gf=4.0,
                force_gf=3.0,
                rake_deg=92.0,
                compliance_um_per_mn=5.0,
                compliance_stated_at="100 Hz",
            ),
            record_mm=2.0,
            note="An invented deck with a cartridge built into its headshell.",
        ),
        "unipivot": Deck(
            "Deck D",
            Arm(
                "ten-inch unipivot",
                "unipivot",
                effective_length_mm=258.0,
                adjusters=frozenset(
                    {"height", "lateral-balance", "slots", "counterweight", "anti-skate"}
                ),
                bearing_axis="arm-line",
                effective_mass_g=11.0,
                anti_skate="magnet",
            ),
            Cartridge(
                "long-edge cartridge",
                9.0,
                "long-edge",
                "moving-coil",
                force_low_gf=1.8,
                force_high_gf=2.2,
                force_gf=2.0,
                rake_deg=92.0,
                compliance_um_per_mn=12.0,
            ),
            suspended=True,
            record_mm=1.8,
            note="An invented suspended deck.",
        ),
        "underhung": Deck(
            "Deck E",
            Arm(
                "straight under-hung arm",
                "underhung",
                effective_length_mm=235.0,
                adjusters=frozenset({"height", "sliding-base", "counterweight"}),
                bearing_axis="arm-line",
                anti_skate="none",
            ),
            Cartridge(
                "elliptical cartridge",
                6.0,
                "elliptical",
                "moving-magnet",
                force_low_gf=1.5,
                force_high_gf=2.0,
            ),
            factory_assembled=False,
            note="An invented deck without offset or anti-skate.",
        ),
        "linear": Deck(
            "Deck F",
            Arm(
                "linear arm",
                "linear",
                effective_length_mm=180.0,
                adjusters=frozenset({"height", "azimuth-tube", "slots", "counterweight"}),
                bearing_axis="arm-line",
                anti_skate="none",
            ),
            Cartridge(
                "long-edge cartridge",
                8.0,
                "long-edge",
                "moving-magnet",
                force_low_gf=1.2,
                force_high_gf=1.6,
            ),
            radii=RADIUS_SETS["iec"],
            factory_assembled=True,
            note="An invented deck with a linear arm, assembled at the factory.",
        ),
    }
    return decks
