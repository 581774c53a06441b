"""The steps of a plan as a card shows them: as many as there is room for, each with what matters there."""

from collections.abc import Iterator, Sequence
from itertools import accumulate
from typing import Final, NamedTuple

from msgspec import UnsetType

from cotterline.bench.labour.book import Minutes
from cotterline.bench.parts_data import Torque
from cotterline.bench.plan import Plan, PlanStep
from cotterline.documents.language import Language
from cotterline.documents.sheet import Type, clipped
from cotterline.documents.words import AT_THE_FOOT, TORQUES

_NAME, _TOOLS, _QUESTION, _CAUTION = 120, 150, 240, 240
"""Most letters of each that a card has room for."""

_AGAIN: Final = " " * 22
_ASKED: Final = " " * 54
"""Room for the words that lead to a caution said before, and to a question."""


_NOTICE: Final = 9.0
"""Millimetres of the words that say where the card ends."""


class CardStep(NamedTuple):
    """One step.

    Attributes:
        number: as in the plan.
        name: what is done.
        needs: tools, and torque.
        minutes: of all times.
        cautions: those not said at a step before.
        again: numbers of the steps whose cautions hold here too.
        asks: where to stop and ask the customer.
    """

    number: int
    name: str
    needs: str
    minutes: str
    cautions: tuple[str, ...]
    again: str
    asks: tuple[str, ...]

    def height(self, size: Type) -> float:
        """Millimetres it is taken to need."""
        text = f"{self.name} – {self.needs} {_AGAIN * bool(self.again)}"
        beside = [*self.cautions, *(_ASKED + question for question in self.asks)]
        return size.height(text, size.step) + sum(size.height(each, size.column) + 0.6 for each in beside) + 1.1


class CardSteps(NamedTuple):
    """What is shown, and what is not: numbers of the first and last step left out, or none."""

    shown: tuple[CardStep, ...]
    left_out: tuple[int, int] | None


def card_steps(plan: Plan, language: Language, size: Type, room: float) -> CardSteps:
    """The steps that fit into ``room`` mm of columns, in order; those after the first that does not are left out."""
    steps = tuple(_steps(plan, language))
    heights = [step.height(size) for step in steps]
    if sum(heights) <= room:
        return CardSteps(steps, None)
    # Columns of tall steps end unevenly: half of the tallest may stay empty.
    shown = sum(end <= room - _NOTICE - max(heights) / 2 for end in accumulate(heights))
    return CardSteps(steps[:shown], (steps[shown].number, steps[-1].number))


def _steps(plan: Plan, language: Language) -> Iterator[CardStep]:
    first_said: dict[str, int] = {}
    for step in plan.steps:
        new = [caution for caution in step.cautions if first_said.setdefault(caution.code, step.number) == step.number]
        again = sorted({first_said[caution.code] for caution in step.cautions} - {step.number})
        asks = [point.question or point.found for point in plan.decision_points if point.step == step.number]
        yield CardStep(
            number=step.number,
            name=_name(step, language),
            needs=_needs(step, language),
            minutes=_minutes(step.minutes, step.times, language),
            cautions=tuple(clipped(language.say(item.text), _CAUTION) for item in new if item.code != AT_THE_FOOT),
            again=", ".join(map(str, again)),
            asks=tuple(clipped(language.say(question), _QUESTION) for question in asks),
        )


def _name(step: PlanStep, language: Language) -> str:
    name = clipped(language.say(step.name), _NAME)
    return name if step.times == 1 else language.say("{what}, {times} times", what=name, times=step.times)


def _needs(step: PlanStep, language: Language) -> str:
    tools = clipped("; ".join(map(language.say, step.tools)), _TOOLS)
    return ". ".join(part for part in (tools, *_torques(step.torques, language)) if part)


def _torques(torques: Sequence[Torque], language: Language) -> Iterator[str]:
    for torque in torques:
        if isinstance(torque.lowest, UnsetType) or isinstance(torque.highest, UnsetType):
            yield language.say(torque.note)
            continue
        yield language.say(
            "Torque, {what}: {least} to {most} N m. {note}",
            what=language.say(TORQUES[torque.subject]),
            least=language.number(torque.lowest),
            most=language.number(torque.highest),
            note=language.say(torque.note) if torque.note else "",
        ).strip()


def _minutes(minutes: Minutes, times: int, language: Language) -> str:
    low, high = (language.number(value * times, 0) for value in (minutes.low, minutes.high))
    return language.say("{least} to {most} min", least=low, most=high)
