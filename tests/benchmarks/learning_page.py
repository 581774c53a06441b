"""The parts of ``service/docs/learning.md`` that are computed: a worked example, and what the invented year assumes."""

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from cotterline.bench.chain.methods import MeasuredChainLine
from cotterline.bench.derivation import Step, Trace
from cotterline.bench.quantity import Length, Reading
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.aim import OldChainLine
from cotterline.bench.spindle.crank import CotterDistance
from cotterline.bench.spindle.offset import offset_report
from cotterline.bench.spindle.placing import SeatedUnit
from cotterline.bench.spindle.question import ShellForSpindle, SpindleQuestion
from cotterline.bench.spindle_options import options
from tests.benchmarks import invented_year as year

PAGE: Final = Path(__file__).parents[2] / "service/docs/learning.md"


def section(page: str, name: str) -> str:
    """What stands between a section's marks."""
    rest = page.split(f"<!-- {name} -->\n")[1]
    return rest.split(f"\n<!-- end of {name} -->")[0].strip("\n")


def with_section(page: str, name: str, text: str) -> str:
    """The page with another text between a section's marks."""
    before, rest = page.split(f"<!-- {name} -->\n")
    after = rest.split(f"\n<!-- end of {name} -->")[1]
    return f"{before}<!-- {name} -->\n\n{text}\n\n<!-- end of {name} -->{after}"


def example_steps() -> list[Step]:
    """A steel crank was fitted once at 46 on 122 mm, another of its kind at 43 on 113; now the first comes again."""
    trace = Trace()
    unit = SeatedUnit(
        taper="jis",
        taper_from="question",
        asymmetry_mm=0.0,
        seat="right",
        unit_width=Length.mm(68.0),
        spacer_mm=0.0,
        moved=Length.mm(0.0),
    )
    reports = []
    for model, line, length in (("Steel", 46.0, 122.0), ("Alloy", 43.0, 113.0)):
        crank = CotterDistance(model=model, taper="jis", distance=Reading(value=112))
        read = Reading(value=line).uncertain("ruler")
        report = offset_report(crank, read, length, unit, trace if model == "Steel" else Trace(wanted=False))
        assert report is not None
        reports.append(report)
    old = MeasuredChainLine(chain_line=Reading(value=43))
    wanted = CotterDistance(model="Steel", taper="jis", distance=Reading(value=112))
    question = SpindleQuestion(target=OldChainLine(measurement=old), crank=wanted)
    shell = ShellForSpindle(family="iso_english", width=68)
    options(question, shell, ShopSettings(), trace, offsets=reports)
    last = next(at for at, step in enumerate(trace.steps) if "together" in step.name)
    return [step for step in trace.steps[: last + 1] if "chain line" not in step.name]


def example() -> str:
    """The example's steps as a table."""
    return "\n".join(["| what | formula | with | gives |", "| --- | --- | --- | --- |", *map(_row, example_steps())])


def _row(step: Step) -> str:
    inputs = ", ".join(f"{name} = {value:.6g}" for name, value in step.inputs.items())
    unit = "" if step.unit == "1" else f" {step.unit}"
    return f"| {step.name} | `{step.formula}` | {inputs} | {step.value:.4g}{unit} |"


def assumed() -> str:
    """What the invented year takes for true."""
    return "\n".join(f"- {line}" for line in _assumed())


def _assumed() -> Iterator[str]:
    means = ", ".join(f"{mean:g} mm with {rings}" for rings, mean in year.KIND_MEANS.items())
    spans = ", ".join(f"{low:g} to {high:g} mm with {rings}" for rings, (low, high) in year.TARGETS.items())
    low, high = year.MISREAD_SPAN
    yield f"{year.MODELS} models of crank; the n-th commonest comes 1 / n as often as the commonest."
    yield f"Mean offsets by rings: {means}. Models of a kind differ by {year.BETWEEN_MODELS:g} mm."
    yield f"Two cranks of one model differ by {year.ONE_OF_A_MODEL:g} mm."
    yield f"The old rings stood anywhere from {spans}."
    yield f"A ruler errs by {year.RULER_SD:g} mm and is read to whole mm."
    yield f"{year.MISREAD_SHARE:.0%} of ruler readings are {low:g} to {high:g} mm off, the old chain line's as well."
    yield f"{year.CALIPER_SHARE:.0%} of fitted chain lines are read with a caliper that errs by {year.CALIPER_SD:g} mm."
    yield f"Spindles are {year.LENGTH_SD:g} mm longer or shorter than marked."
    yield f"An arm draws on {year.SEATING_SD:g} mm more or less each time; units sit {year.SEAT_SD:g} mm off."
    yield f"The cotters' distance misses the right square spindle by {year.COTTERS_SD:g} mm of length."
    yield "Lengths are those of the default catalogue for two shells, 68 and 70 mm wide."
    yield "Every crank is entered under the one name of its model, and every fitted chain line is reported."
    yield "Errors that are given as one figure are standard deviations of a normal distribution."
