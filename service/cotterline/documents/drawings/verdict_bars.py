"""Which thread it is: how probable each is, against what the shop asks for before it orders."""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from cotterline.bench.shell.families import FamilyId
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import Verdict
from cotterline.documents.drawings.board import LEAD, MARGIN, SMALL, WIDTH, Board, Box, folded, text_width
from cotterline.documents.drawings.pens import BLUE, EXPECTED, FINE, OUTLINE, PAPER, WANTED_BAND, Pen
from cotterline.documents.language import Language
from cotterline.documents.shell_names import shell_designation, shell_name
from cotterline.documents.words import STATES

NAME: Final = "verdict"

_SHOWN: Final = 4
"""Threads with a bar of their own; the rest share one."""

_LEAST: Final = 0.001
"""Threads less probable than this share it too, save the leading one."""

_BAR: Final = 3.2
"""Height of a bar in mm."""

_INSET: Final = 0.8
"""From the line bars begin at to words."""

_ROUNDED: Final = 1e-6
"""The core rounds to so much: what it tells as all or nothing is not quite that."""

_ENDS: Final = 0.93
"""Where figures end, as a probability: before the least an order can be set to need."""


class Thread(NamedTuple):
    """One whole shell and how probable it is."""

    drive: FamilyId
    non_drive: FamilyId
    probability: float


def verdict_bars(verdict: Verdict, settings: ShopSettings, language: Language) -> str:
    """The drawing of a verdict's probabilities.

    Args:
        verdict: the verdict.
        settings: that it was judged by; the probability an order needs is used.
        language: whose words and numbers it is told in.
    """
    board, say = Board(), language.say
    state, wanted = say(STATES[verdict.state]), language.percent(settings.order_probability, 1)
    heading, threads = say("Which thread it is"), _ranked(verdict)
    shown = [thread for number, thread in enumerate(threads[:_SHOWN]) if not number or thread.probability >= _LEAST]
    board.paragraph(f"{heading}. {state}", bold=True)
    board.y += 0.6
    words = say("an order needs {probability}", probability=wanted)
    board.text((WIDTH - MARGIN, board.y + SMALL * 0.95), words, anchor="end")
    board.y += SMALL * LEAD
    top = board.y
    told = list(_bars(board, shown, threads, language))
    reached = verdict.leading.probability >= settings.order_probability
    note = say("Probable enough, but other conditions of an order are not met yet.")
    notes = [note] if reached and verdict.state != "fit_to_order" else []
    _limit(board, settings.order_probability, top)
    board.line((_at(0.0), top), (_at(0.0), board.y), OUTLINE)
    for each in notes:
        board.paragraph(each)
    told = [f"{line}." for line in (*told, words)]
    return board.svg(NAME, heading, " ".join([state, *told, *notes]), language.tag)


def _limit(board: Board, probability: float, top: float) -> None:
    """What an order needs, as an upright across all bars, edged so that it is seen on them."""
    x = _at(probability)
    board.line((x, top + 1.5), (x, board.y), Pen(PAPER, EXPECTED.width + 0.6))
    board.line((x, top), (x, board.y), EXPECTED, "order-probability")
    board.outline([(x, top + 1.6), (x - 1.2, top), (x + 1.2, top)], None, fill=EXPECTED.colour)


def _ranked(verdict: Verdict) -> Sequence[Thread]:
    """Every shell, the leading one first, then the more probable first."""
    alike = [Thread(row.family, row.family, row.both) for row in verdict.families]
    mixed = [Thread(row.drive, row.non_drive, row.probability) for row in verdict.mixtures]
    leading = (verdict.leading.drive, verdict.leading.non_drive)
    return sorted([*alike, *mixed], key=lambda each: (each[:2] != leading, -each.probability))


def _bars(board: Board, shown: Sequence[Thread], threads: Sequence[Thread], language: Language) -> Iterator[str]:
    """Draw the bars; yield what each says."""
    for number, thread in enumerate(shown):
        yield _bar(
            board, _words(thread, language, leading=not number), thread.probability, language, leading=not number
        )
    rest = threads[len(shown) :]
    if rest:
        words = language.say("{count} others together", count=len(rest))
        yield _bar(board, words, sum(thread.probability for thread in rest), language, leading=False)


def _words(thread: Thread, language: Language, *, leading: bool) -> str:
    name = shell_name(thread.drive, thread.non_drive, language)
    return f"{name}: {shell_designation(thread.drive, thread.non_drive, language)}" if leading else name


def _bar(board: Board, words: str, probability: float, language: Language, *, leading: bool) -> str:
    """Words with the probability at their end, and the bar below: filled for the leading thread."""
    share, end = language.percent(min(max(probability, _ROUNDED), 1.0 - _ROUNDED), 1), _at(_ENDS)
    room = end - text_width(share, bold=leading) - 2 * MARGIN - _INSET
    board.text((end, board.y + SMALL * 0.95), share, anchor="end", bold=leading)
    for line in folded(words, room, bold=leading):
        board.text((MARGIN + _INSET, board.y + SMALL * 0.95), line, bold=leading)
        board.y += SMALL * LEAD
    bar = Box(_at(0.0), board.y, _at(min(probability, 1.0)), board.y + _BAR)
    if leading:
        board.box(bar, None, "leading", BLUE)
    else:
        board.hatch(bar, WANTED_BAND)
        board.box(bar, FINE, "other")
    board.y += _BAR + 1.2
    return f"{words}: {share}"


def _at(probability: float) -> float:
    return MARGIN + probability * (WIDTH - 2 * MARGIN - 2.4)
