"""The main job through the generated Python client: quote a bicycle, ask again, read the quote, find it in the list.

``python drive.py ADDRESS KEY`` prints what was seen as one JSON object. Its types are checked against the client.
"""

import json
import sys
from uuid import uuid4

from cotterline_client import AuthenticatedClient
from cotterline_client.api.quotes import create_quote, list_quotes, read_quote
from cotterline_client.models import (
    CotterDistance,
    CupHand,
    KnownTaper,
    LeftOrRight,
    MeasuredChainLine,
    OldChainLine,
    OldCrank,
    OldCrankCrank,
    PartsLine,
    PartsLineSupply,
    PartsList,
    PitchGauge,
    PitchUnit,
    Problem,
    Quote,
    QuoteList,
    QuoteRequest,
    Reading,
    ShellWidth,
    Side,
    SpindleQuestion,
    Tool,
    VerdictState,
)


def bicycle(shell_width: float) -> QuoteRequest:
    """A bicycle with English threads whose old cranks were cottered."""
    return QuoteRequest(
        reference="hook 7",
        evidence=[
            OldCrank(kind="old_crank", crank=OldCrankCrank.COTTERED),
            ShellWidth(kind="shell_width", reading=Reading(value=shell_width, tool=Tool.RULER)),
            PitchGauge(kind="pitch_gauge", side=Side.DRIVE, leaf=24, leaf_unit=PitchUnit.TPI),
            CupHand(kind="cup_hand", side=Side.DRIVE, hand=LeftOrRight.LEFT),
        ],
        spindle=SpindleQuestion(
            target=OldChainLine(
                aim="old",
                measurement=MeasuredChainLine(method="measured_chain_line", chain_line=Reading(value=42)),
            ),
            crank=CotterDistance(known_by="cotter_distance", distance=Reading(value=113), taper=KnownTaper.JIS),
        ),
    )


def to_order(quote: Quote) -> list[PartsLine]:
    """The lines a shop would order."""
    assert isinstance(quote.result.parts, PartsList)
    return [line for line in quote.result.parts.lines if line.supply is PartsLineSupply.ORDER]


def main(address: str, key: str) -> None:
    """Do the job and print what was seen."""
    with AuthenticatedClient(address, token=key, raise_on_unexpected_status=True) as client:
        key_of_call = str(uuid4())
        made = create_quote.sync(client=client, body=bicycle(67), idempotency_key=key_of_call)
        assert isinstance(made, Quote), made
        again = create_quote.sync(client=client, body=bicycle(67), idempotency_key=key_of_call)
        assert isinstance(again, Quote), again
        assert made.result.verdict.state is VerdictState.FIT_TO_ORDER
        read = read_quote.sync(client=client, quote_id=made.id)
        assert isinstance(read, Quote), read
        listed = list_quotes.sync(client=client, limit=10)
        assert isinstance(listed, QuoteList), listed
        refused = create_quote.sync(client=client, body=bicycle(300), idempotency_key=str(uuid4()))
        assert isinstance(refused, Problem), refused
        seen = {
            "id": str(made.id),
            "again": str(again.id),
            "read": read.to_dict() == made.to_dict(),
            "summary": read.result.summary,
            "order": [line.name for line in to_order(read)],
            "listed": [str(entry.id) for entry in listed.quotes],
            "refused": [refused.type_, [error.pointer for error in refused.errors or ()]],
        }
        sys.stdout.write(json.dumps(seen))


if __name__ == "__main__":
    main(*sys.argv[1:])
