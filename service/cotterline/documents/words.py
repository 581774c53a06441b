"""English words for what the core states by code; a reader's language says them in its own."""

from collections.abc import Mapping
from typing import Final, Literal

from cotterline.bench.fit.report import Shifting
from cotterline.bench.parts_data import TorqueSubject
from cotterline.bench.quantity import Side, Tool
from cotterline.bench.shell.families import Hand
from cotterline.bench.shell.order_conditions import Condition
from cotterline.bench.thread_verdicts import State

SIDES: Final[Mapping[Side, str]] = {"drive": "drive side", "non_drive": "non-drive side"}

SIDES_OF_THE_BICYCLE: Final[Mapping[Side, str]] = {"drive": "Drive side (right)", "non_drive": "Non-drive side (left)"}

HANDS: Final[Mapping[Hand, str]] = {"left": "left-hand thread", "right": "right-hand thread"}

TURNS: Final[Mapping[Literal["clockwise", "anticlockwise"], str]] = {
    "clockwise": "unscrews CLOCKWISE",
    "anticlockwise": "unscrews ANTICLOCKWISE",
}

TOOLS: Final[Mapping[Tool, str]] = {"ruler": "ruler", "caliper": "caliper", "gauge": "gauge"}

MEASUREMENTS: Final[Mapping[str, str]] = {
    "bore": "Bore",
    "cup_hand": "Hand of the cup's thread",
    "shell_width": "Shell width",
    "stamp": "Stamp on the cup",
    "cup_fittings": "Fittings on the cups",
    "fixed_cup_flats": "Flats of the fixed cup",
    "cup_outside_diameter": "Cup over its thread",
    "pitch_gauge": "Pitch gauge",
    "crest_count": "Eight crests",
    "shell_inside_diameter": "Shell inside",
}
"""What can be measured, as ``data/measurements.toml`` has it."""

OBSERVED: Final[Mapping[str, str]] = {
    "pitch_gauge": "pitch gauge, {side}: {leaf}",
    "crest_count": "{count} crests, {side}: {size}",
    "cup_outside_diameter": "cup over its thread, {side}: {size}",
    "shell_inside_diameter": "shell inside, {side}: {size}",
    "shell_width": "shell width {size}",
    "cup_hand": "cup, {side}: {look}",
    "bore": "bore, {side}: {look}",
    "stamp": "stamp, {side}: {text}",
    "cup_fittings": "raised fittings: {look}",
    "fixed_cup_flats": "fixed cup across its flats {size}",
    "old_crank": "old crank: {look}",
    "origin": "made: {text}",
}

LEAVES: Final[Mapping[Literal["tpi", "mm"], str]] = {"tpi": "tpi", "mm": "mm"}
"""Units of a pitch gauge's leaves."""

LOOKS: Final[Mapping[str, str]] = {
    "threaded": "threaded",
    "plain": "plain",
    "both": "on both cups",
    "adjustable_only": "on the adjustable cup only",
    "neither": "on neither cup",
    "cottered": "cottered",
    "square_taper": "square taper",
    "one_piece": "one piece",
    "splined": "splined",
    "left": "left-hand thread",
    "right": "right-hand thread",
}

STATES: Final[Mapping[State, str]] = {
    "fit_to_order": "The thread is settled.",
    "likely": "Likely, not settled.",
    "undecided": "Undecided.",
    "contradictory": "The observations contradict one another.",
}

UNMET: Final[Mapping[Condition, str]] = {
    "thread_observed": (
        "Nothing names this thread itself yet: use a pitch gauge over a good length, count crests, or read a stamp."
    ),
    "rivals_told_apart": "What was observed fits these nearly as well: {rivals}.",
    "probable_enough": "The leading thread has only {probability}; the shop asks for {wanted}.",
    "survives_a_slip": "One observation carries the verdict alone: take another reading of the thread.",
    "width_known": "Measure the shell's width with a caliper: {width} is not settled.",
    "nothing_contradicts": "An observation contradicts the rest: take it again.",
    "same_thread_both_sides": "The two sides do not read alike: no stock unit has a different thread on each side.",
    "stock_unit_exists": "No stock unit screws into this shell: see the quote's remedies.",
}

PLAIN: Final = "The shell reads as plain: it has no thread to order by."

MISSING: Final[Mapping[str, str]] = {
    "/spindle": "Say where the rings shall stand and which crank is to be fitted.",
    "/spindle/crank": (
        "Nothing is known of the crank: measure its chain line on any square spindle, or the distance between the "
        "old cotters' centres."
    ),
    "/spindle/crank/ring_spacing": "Measure the spacing of the rings: one ring alone says nothing of the others.",
}
"""What a spindle waits for, by what the request lacks."""

MISSING_LINE: Final = "Measure the crank's chain line on the spindle that was named."

TORQUES: Final[Mapping[TorqueSubject, str]] = {
    "crank_bolt": "crank bolt",
    "cartridge_unit": "unit",
    "plastic_cup": "plastic cup",
    "ring_bolt_alloy": "alloy ring bolt",
    "ring_bolt_steel": "steel ring bolt",
    "pedal": "pedal",
}

SHIFTINGS: Final[Mapping[Shifting, str]] = {"good": "good", "rubs": "rubs", "poor": "poor"}

LINE_READINGS: Final[Mapping[str, tuple[str, ...]]] = {
    "both_sides_of_tube": (
        "Far side of the seat tube to the outer ring's outer face",
        "Near side of the seat tube to the inner ring's inner face",
        "Chain line: both added, then halved",
    ),
    "tube_to_middle": (
        "Seat tube, diameter",
        "Near side of the seat tube to the middle of the rings",
        "Chain line: half the diameter and the distance",
    ),
    "tube_to_outer_face": (
        "Seat tube, diameter",
        "Near side of the seat tube to the outer ring's outer face",
        "Rings, outer face to outer face",
        "Chain line: half the diameter and the distance, less half the rings",
    ),
    "tube_to_ring_face": (
        "Seat tube, diameter",
        "Near side of the seat tube to the ring's outer face",
        "Tooth, thickness",
        "Chain line: half the diameter and the distance, less half the tooth",
    ),
}
"""What is read for a chain line by each method, and what is worked out of it."""

FIRST_METHOD: Final = "both_sides_of_tube"
"""Taken where the job named no method of its own: it needs no diameter."""

AIMS: Final[Mapping[str, str]] = {
    "old": "old chain line {length}",
    "rear": "rear chain line {length}",
    "nominal": "nominal chain line {length}",
    "stated": "chain line asked for {length}",
}
"""What a spindle's target is, by what says so."""

AT_THE_FOOT: Final = "follow-part"
"""The caution that every card ends with."""

TERMS: Final[tuple[tuple[str, str], ...]] = (
    ("arm", "the lever between a pedal and the spindle"),
    ("cotter", "the wedge that holds an arm on an old spindle"),
    ("spindle", "the shaft that joins both arms"),
    ("shell", "the short tube of the frame that the spindle turns in"),
    ("cup", "the screwed-in ring that a bearing runs in"),
    ("unit", "a new spindle with its bearings, sealed in one piece"),
    ("ring", "the toothed wheel at the arm that pulls the chain"),
    ("chain line", "how far out from the middle of the bicycle the chain runs"),
    ("drive side", "the right-hand side, where the chain is"),
    ("to face", "to cut the ends of the shell flat"),
)
"""Words of the trade that a customer meets, each with what it means to one who has never seen it."""
