"""The steps of a set-up job as data: what to do, with what, how to read it, what to beware of.

Order and wording are common practice, no source, unless a step says otherwise. ``accepts`` lists
the quantities that settle a step, the usual one last; the newest counts, unless ``deciders`` names
some that outrank the others. ``after`` names the
steps that must come before; `bench.steps` checks an order against it.
"""

from __future__ import annotations

from dataclasses import dataclass

STEP_KINDS = ("confirm", "reading", "typed", "derived")
NEAR_STYLUS = (
    "A stylus breaks at a touch: platter locked, sleeves and cloths away, steel tools away.",
    "A phone and its mounts are magnets: rest it on a block at least 50 mm from the cartridge, "
    "use the self-timer, never hold it over the stylus.",
)
MUTED = "Mute the amplifier before the arm is handled."
LIFT = "Anti-skate off while the stylus stands on mirror or paper; lower it with the lift, never "
LIFT += "slide it sideways."
LAMP = "A bright lamp is hot and dazzles: point it away from eyes, move it off after the photo."


@dataclass(frozen=True)
class Need:
    """Something asked of the person: ``field`` is a field of the deck, or kept as a note."""

    field: str
    label: str
    unit: str


@dataclass(frozen=True)
class Step:
    """One step. ``kind`` is confirm, reading (a photo), typed (a figure) or derived."""

    key: str
    title: str
    kind: str
    why: str
    how: tuple[str, ...]
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    accepts: tuple[str, ...] = ()
    needs: tuple[Need, ...] = ()
    after: tuple[str, ...] = ()
    deciders: tuple[str, ...] = ()

    @property
    def quantity(self) -> str | None:
        """The quantity a photo of this step gives by default, or the figure to type."""
        return self.accepts[-1] if self.accepts else None


RECORD = Need("record_mm", "Thickness of the record it is set up for", "mm")
MIRROR = Need("mirror_mm", "Thickness of the mirror under the stylus", "mm")
CAP = Need("cap_height_mm", "Height of the pivot cap above the paper, to 0.5 mm", "mm")
SCALE = Need("print_scale_percent", "Print scale of the sheet, 100 when true", "%")
BUBBLE = Need(
    "bubble_sensitivity_arcmin_per_2mm", "Sensitivity marked on the spirit level", "′ per 2 mm"
)
WARP = Need("warp_mm", "Warp of the record at the rim, peak to valley", "mm")

STEPS: tuple[Step, ...] = (
    Step(
        "inspect", "Look, clean, feel", "confirm",
        "A worn or dirty stylus, or a loose bearing, makes every later figure worthless.",
        (
            "Touch a steel tool or a tap to discharge yourself first.",
            "Look at the stylus with a magnifier; brush it from back to front only.",
            "Hold the headshell and feel gently for play in both bearings; there should be none "
            "(a unipivot rocks by nature).",
        ),
        ("magnifier", "stylus brush"),
        (MUTED, NEAR_STYLUS[0]),
    ),
    Step(
        "platter-level", "Level the platter", "reading",
        "A tilt pulls the arm to one side and upsets the bearing.",
        (
            "Stand a round spirit level on the printed mat, arrow to the pivot, and photograph it "
            "from straight above; turn the level half round and photograph it again: its own "
            "error drops out. Or type the tilt that an inclinometer shows.",
            "A suspended deck is levelled with record, clamp and arm in place.",
        ),
        ("round spirit level",),
        ("Stop the motor; a heavy platter pinches fingers.",),
        ("platter-level",), (BUBBLE,), ("inspect",),
    ),
    Step(
        "mounting-distance", "Measure spindle to pivot", "reading",
        "It fixes where the stylus must stand.",
        (
            "Lay the distance sheet over the spindle and photograph spindle and pivot from above; "
            "or type the distance from a rule.",
        ),
        ("distance sheet", "rule"),
        (NEAR_STYLUS[0],),
        ("mounting-distance",),
        (CAP, SCALE), ("inspect",),
    ),
    Step(
        "fit-cartridge", "Fit the cartridge", "confirm",
        "Everything later is measured at the stylus.",
        (
            "Guard on. Screws finger-tight, cartridge roughly square.",
            "Leads by the maker's sheet; commonly white left +, blue left −, red right +, "
            "green right −.",
        ),
        ("fine pliers or tweezers", "screwdriver that does not pull to magnets"),
        (
            "Never solder on the cartridge's pins: the heat destroys it.",
            "Amplifier off; the guard stays on until the screws hold.",
        ),
        (), (), ("inspect",),
    ),
    Step(
        "first-force", "Balance the arm, first tracking force", "typed",
        "Only a loaded stylus stands as it plays.",
        (
            "Anti-skate off, guard off, arm floating level; zero the dial; set the force.",
            "Weigh it with a stylus scale and type the figure.",
        ),
        ("stylus scale",),
        (MUTED, "A balanced arm swings free: keep a hand near it."),
        ("tracking-force",), (), ("fit-cartridge",),
    ),
    Step(
        "lock-platter", "Lock the platter", "confirm",
        "A platter that creeps breaks styli.",
        ("Mains unplugged or motor off; wedge the platter so that it cannot turn.",),
        ("soft wedge or tape",), (), (), (), ("inspect",),
    ),
    Step(
        "arm-level", "Set the arm level", "reading",
        "A start for rake; for a conical tip it is the setting itself.",
        (
            "Stylus on a record of the thickness you play. Photograph the arm from the side, lens "
            "at record height, the level sheet standing behind it.",
        ),
        ("level sheet", "a record"),
        (*NEAR_STYLUS, LIFT),
        ("arm-level",), (RECORD, WARP), ("first-force", "lock-platter"),
    ),
    Step(
        "overhang", "Overhang, at both null points", "reading",
        "The stylus must stand where the geometry puts it.",
        (
            "Lay the alignment sheet over the spindle, lower the stylus onto the arc with the "
            "lift, photograph from above so that the marks round it show.",
            "Check it at both null points.",
        ),
        ("alignment sheet",),
        (*NEAR_STYLUS, LIFT),
        ("null-points", "overhang"), (SCALE,), ("first-force", "lock-platter"),
    ),
    Step(
        "cantilever", "Cantilever along the groove, at both null points", "reading",
        "It is the cantilever, not the body, that reads the groove.",
        (
            "Stylus on the grid at a null point, on a mirror if you have one. Photograph from the "
            "front, 30° to 50° up and 3° to 10° aside.",
            "Where the cantilever cannot be seen, photograph the body against the grid instead.",
            "Two directions, one at each null point, tell overhang and direction apart: "
            "deckplumb arm --at-nulls.",
        ),
        ("alignment sheet or gridded mirror",),
        (*NEAR_STYLUS, LIFT),
        ("body-square", "cantilever"), (), ("first-force", "lock-platter"),
    ),
    Step(
        "azimuth", "Azimuth", "reading",
        "Both groove walls must be read alike. The mirror is a start; crosstalk figures decide.",
        (
            "Stylus on a mirror, anti-skate off. Photograph head-on, 3° to 15° up, so that the "
            "body and its image both show.",
            "If you have crosstalk figures from a test record, type left less right in dB: they "
            "outrank the mirror; so does the balance of the two channels.",
        ),
        ("first-surface mirror", "test record (optional)"),
        (*NEAR_STYLUS, LIFT, LAMP),
        ("crosstalk-difference", "balance", "azimuth"), (), ("first-force", "lock-platter"),
        ("crosstalk-difference", "balance"),
    ),
    Step(
        "rake", "Rake", "reading",
        "The contact edge should meet the groove as the cutter did.",
        (
            "Stylus on a mirror shimmed to record height, or on a still record. Photograph from "
            "the side, lens at surface height, light behind, as near as it focuses.",
            "Give the thickness of mirror and record: a millimetre is a quarter of a degree.",
        ),
        ("clip-on lens or microscope", "first-surface mirror"),
        (*NEAR_STYLUS, LIFT, LAMP),
        ("rake",), (RECORD, MIRROR), ("first-force", "lock-platter"),
    ),
    Step(
        "force-again", "Tracking force again, at record height", "typed",
        "Height and cartridge have moved since it was weighed.",
        ("Put the scale's pan at record height, weigh and type the figure.",),
        ("stylus scale",), (MUTED,), ("tracking-force",), (), ("first-force",),
    ),
    Step(
        "check-again", "Check what was disturbed", "derived",
        "Each turn moves other settings a little: read again what the list names.",
        ("Go back to every step marked \"check again\" until none is left.",),
        (), (), (), (),
        ("arm-level", "overhang", "cantilever", "azimuth", "rake", "force-again"),
    ),
    Step(
        "anti-skate", "Anti-skate", "typed",
        "It balances the mean side pull of the groove; the pull itself varies all the time.",
        (
            "Common practice: set the dial to the tracking force, then listen. The figure on the "
            "dial is a mark, not the side force.",
            "Type what the dial shows.",
        ),
        (), (MUTED,), ("anti-skate",), (), ("force-again",),
    ),
    Step(
        "unlock-platter", "Free the platter", "confirm",
        "Before the motor runs.",
        ("Arm in its rest and locked. Take out the wedge, the mirror, the sheets and the tools.",),
        (), (), (), (), ("lock-platter",),
    ),
    Step(
        "speed", "Speed", "reading",
        "Pitch and tempo.",
        (
            "Lay the speed disc on the platter and film it for 30 seconds, phone on a stand, with "
            "a mark beside the platter in view.",
        ),
        ("speed disc", "stand"),
        (
            "Unplug the mains before you touch motor, belt or pulley; wiring is for a qualified "
            "person.",
            "A strobe lamp flickers: not near people who are sensitive to it.",
        ),
        ("speed",), (), ("unlock-platter",),
    ),
)  # fmt: skip
STEP_BY_KEY: dict[str, Step] = {step.key: step for step in STEPS}

ANTI_SKATE_HINTS: dict[str, str] = {
    "spring": "Spring: start with the dial at the tracking force; the pull grows along the side.",
    "weight": "Weight on a thread: hang it in the groove or at the mark that the maker's sheet "
    "gives for this force; the thread must run free and square.",
    "magnet": "Magnet: the screw's scale is rarely in force; turn it in from nothing while you "
    "listen to a loud, centred passage, and type the mark you end at.",
    "none": "",
}
GENERATOR_HANDLING: dict[str, tuple[str, ...]] = {
    "moving-magnet": ("The stylus assembly pulls off: hold the body when you take the guard off.",),
    "moving-iron": ("The stylus assembly pulls off: hold the body when you take the guard off.",),
    "moving-coil": (
        "A moving coil's magnet is strong: iron tools and screws jump to it, keep them away.",
        "Never measure the coil with a meter: its current can burn it.",
    ),
    "ceramic": ("A ceramic cartridge cracks when dropped and suffers from heat and damp.",),
    "unknown": ("Treat it as a moving coil: strong magnet, no meter on the pins.",),
}
