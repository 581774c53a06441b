"""Quotes as a mechanic reads them: a line of figures for each bicycle and, under it, what to do next.

Every width is settled before the first row, so rows are printed as they come and a long file needs no more memory
than a short one.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from msgspec import UnsetType
from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from cotterline.api.bicycles.bike import printable
from cotterline.bench.chain.drivetrain import DrivetrainResult
from cotterline.bench.parts_list import PartsList
from cotterline.bench.pricing.ceiling import Ceiling
from cotterline.bench.quantity import Length
from cotterline.bench.quotes import QuoteResult
from cotterline.bench.shell.families import FAMILIES
from cotterline.bench.shell.next_measurement import NextMeasurement
from cotterline.bench.shell.remedies import Remedy
from cotterline.bench.spindle_options import SpindleOption, SpindleResult

HEADINGS: Final = ("bicycle", "shell", "spindle, mm", "chain line, mm", "gears beyond limit")
LEAST_WIDTH: Final = 72
MOST_WIDTH: Final = 130
NONE: Final = "-"

_SHARES: Final = (26, 27, 20, 15, 12)
_GAP: Final = 2
_REASONS: Final = 3
_DRIVERS: Final = 2
_NEARLY_SURE: Final = 0.9995
"""From here a percentage would round to a hundred, which no verdict is."""

_COLOURS: Final = {"fit_to_order": "green", "likely": "yellow", "undecided": "yellow", "contradictory": "red"}
_NEEDS: Final = {"workshop": "in the workshop", "frame_builder": "at a frame builder's"}


class QuoteTable:
    """Prints quotes on one console, below each other under one heading."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._begun = False
        room = min(max(console.width, LEAST_WIDTH), MOST_WIDTH) - _GAP * (len(_SHARES) - 1)
        self._widths = [room * share // sum(_SHARES) for share in _SHARES]

    def print(self, name: str, result: QuoteResult) -> None:
        """Print one quote: the figures, and what to do next."""
        if not self._begun:
            self._print(self._line([Text(word, style="bold") for word in HEADINGS]))
            self._print(self._line([Text("-" * width) for width in self._widths]))
            self._begun = True
        self._print(self._line([Text(printable(name)), _shell(result), *map(Text, figures_of(result))]))
        for label, words in (*advice_on(result), *cost_of(result), *_steps(result)):
            self._print(_paragraph(label, words))
        self._print(Text())

    def _print(self, what: RenderableType) -> None:
        if self._console.is_terminal:
            self._console.print(what)
            return
        with self._console.capture() as captured:
            self._console.print(what)
        for line in captured.get().splitlines():
            self._console.out(line.rstrip(), highlight=False)

    def _line(self, cells: Sequence[Text]) -> Table:
        line = Table.grid(padding=(0, _GAP, 0, 0))
        for width in self._widths:
            line.add_column(width=width, overflow="fold")
        line.add_row(*cells)
        return line


def figures_of(result: QuoteResult) -> tuple[str, str, str]:
    """Spindle lengths, predicted chain line and gears beyond the angle limit, as far as they are known."""
    return _spindle(result.spindle), _chain_line(result.spindle), _gears(result.drivetrain)


def advice_on(result: QuoteResult) -> Iterator[tuple[str, str]]:
    """What to do next, each a heading and its words: order it, or what stands against that and the way on."""
    if result.ordering.allowed and isinstance(result.parts, PartsList):
        yield "Order", _order(result.parts)
        yield from _two_lengths(result.spindle)
    else:
        yield "Do not order", _reasons(result)
        verdict = result.verdict
        yield from (("Contradiction", item.words) for item in verdict.contradictions)
        yield from (("Measure next", _measurement(item)) for item in verdict.next_measurements[:1])
    yield from _routes(result.remedies, "If it cannot be had" if result.ordering.allowed else "Routes that hold")


def cost_of(result: QuoteResult) -> Iterator[tuple[str, str]]:
    """What the job takes and costs, each a heading and its words: nine times in ten within the range's upper end."""
    estimate = result.estimate
    minutes, money = estimate.minutes, estimate.money
    yield "Work", f"{minutes.p10} to {minutes.p90} minutes, {minutes.expected:.0f} on average."
    drivers = [f"{driver.name} ({driver.share:.0%})" for driver in estimate.drivers[:_DRIVERS]]
    yield from [("What drives it", "; ".join(drivers) + ".")] if drivers else []
    currency = money.expected.currency
    amounts = f"{money.p10.amount} to {money.p90.amount} {currency}, {money.expected.amount} on average"
    if estimate.missing_prices:
        first, *rest = [item.what for item in estimate.missing_prices]
        more = f" and {len(rest)} more" if rest else ""
        yield "Price", f"{amounts}, without what has no price yet: {first}{more}."
    elif isinstance(estimate.ceiling, Ceiling):
        ceiling = estimate.ceiling.amount
        yield "Price", f"{amounts}. Ask the customer for up to {ceiling.amount} {ceiling.currency}."


def _shell(result: QuoteResult) -> Text:
    verdict = result.verdict
    leading = verdict.leading
    name = FAMILIES[leading.drive].name
    if leading.drive != leading.non_drive:
        name = f"drive side {name}, other side {FAMILIES[leading.non_drive].name}"
    state = f"{verdict.state.replace('_', ' ')}, {_share(leading.probability)}"
    shell = Text(f"{name}, {_plain(verdict.shell_width.nominal)}\n")
    return shell.append(state, style=_COLOURS[verdict.state])


def _share(probability: float) -> str:
    return ">99.9%" if probability > _NEARLY_SURE else f"{probability:.1%}"


def _plain(length: Length) -> str:
    return f"{length.value:g} mm" if length.unit == "mm" else f"{length.value:.2f} in"


def _bare(length: Length, places: int | None = None) -> str:
    """A length for a column whose heading says mm; another unit stands beside it."""
    if length.unit != "mm":
        return _plain(length)
    return f"{length.value:g}" if places is None else f"{length.value:.{places}f}"


def _spindle(spindle: SpindleResult | UnsetType) -> str:
    if isinstance(spindle, UnsetType):
        return NONE
    beside = [option for option in (spindle.next_shorter, spindle.next_longer) if isinstance(option, SpindleOption)]
    lengths = ", ".join(_bare(option.spindle_length) for option in beside)
    return _bare(spindle.first.spindle_length) + (f" ({lengths})" if beside else "")


def _chain_line(spindle: SpindleResult | UnsetType) -> str:
    if isinstance(spindle, UnsetType):
        return NONE
    line = spindle.first.chain_line
    spread = line.plus_minus
    around = "" if isinstance(spread, UnsetType) else f" ± {spread:.{1 if line.unit == 'mm' else 2}f}"
    return _bare(line, 1) + around


def _gears(drivetrain: DrivetrainResult | UnsetType) -> str:
    if isinstance(drivetrain, UnsetType):
        return NONE
    return f"{drivetrain.gears_beyond_limit} of {len(drivetrain.gears)}"


def _order(parts: PartsList) -> str:
    ordered = [line for line in parts.lines if line.supply == "order"]
    return "; ".join(f"{line.quantity.value} x {line.name}" for line in ordered) + "."


def _two_lengths(spindle: SpindleResult | UnsetType) -> Iterator[tuple[str, str]]:
    if isinstance(spindle, UnsetType) or isinstance(spindle.order, UnsetType):
        return
    order = spindle.order
    chosen = order.by_name[order.recommended]
    if len(chosen.lengths) > 1:
        lengths = " and ".join(_plain(length) for length in chosen.lengths)
        yield "Two lengths", f"{lengths} together, one to return: {chosen.probability_fits:.0%} that one of them fits."
    if order.measure_again:
        yield "Uncertain", "Even so a miss is likelier than a fit: measure again before ordering."


def _reasons(result: QuoteResult) -> str:
    reasons = result.ordering.reasons
    more = len(reasons) - _REASONS
    return " ".join(reasons[:_REASONS]) + (f" And {more} more." if more > 0 else "")


def _measurement(item: NextMeasurement) -> str:
    side = "" if isinstance(item.side, UnsetType) else f", {item.side.replace('_', '-')} side"
    tool = "" if isinstance(item.tool, UnsetType) else f", with a {item.tool}"
    return f"{item.kind.replace('_', ' ')}{side}{tool}: {item.how}"


def _routes(remedies: Sequence[Remedy], lead: str) -> Iterator[tuple[str, str]]:
    for who, words in _NEEDS.items():
        holding = [remedy.name for remedy in remedies if remedy.finding == "holds" and remedy.who == who]
        if holding:
            yield f"{lead}, {words}", "; ".join(holding) + "."


def _steps(result: QuoteResult) -> Iterator[tuple[str, str]]:
    for step in result.derivation if isinstance(result.derivation, tuple) else ():
        inputs = ", ".join(f"{name} {value:g}" for name, value in step.inputs.items())
        yield step.name, f"{step.formula} = {step.value:g} {step.unit}, with {inputs} ({step.source})"


def _paragraph(label: str, words: str) -> Padding:
    return Padding(Text(f"{label}: ", style="bold").append(words, style="not bold"), (0, 0, 0, 2))
