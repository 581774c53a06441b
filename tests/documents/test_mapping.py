"""A shop's expression makes its supplier's own JSON, and can take neither the process nor the supplier's patience."""

import json
import time
import tracemalloc
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.errors import CotterlineError, Fault
from cotterline.documents.mapping import MAX_BYTES, check_mapping, mapped
from tests.bench.order_cases import line, order

pytestmark = pytest.mark.filterwarnings("ignore:deprecated string literal syntax")

DOCUMENT = msgspec.json.encode(order(line(price="1.25"), line(2, quantity=3), reference="hook 7"))
DOUBLED = "|[@,@]"


def made(expression: str, document: bytes = DOCUMENT) -> Any:  # noqa: ANN401 - any JSON
    return json.loads(mapped(document, expression))


def refused(expression: str, document: bytes = DOCUMENT) -> str:
    with pytest.raises(CotterlineError) as caught:
        mapped(document, expression, "/body/expression")
    assert caught.value.code == "impossible-value"
    (fault,) = caught.value.faults
    assert fault.pointer == "/body/expression"
    return fault.detail


def test_an_expression_names_members_as_the_supplier_does() -> None:
    found = made(
        "{ref: reference, shop: shop, rows: lines[].{part: code, pieces: quantity.value, each: unit_price.amount}}"
    )
    rows = [{"part": "C1", "pieces": 1, "each": "1.25"}, {"part": "C2", "pieces": 3, "each": "20.00"}]
    assert found == {"ref": "hook 7", "shop": "Sluice gate cycles", "rows": rows}


@pytest.mark.parametrize(
    ("document", "expression", "outcome"),
    [
        ('{"a": {"b": {"c": {"d": ["value"]}}}}', "a.b.c.d", ["value"]),
        ('{"people": [{"first": "James"}, {"first": "Jacob"}, {"missing": 1}]}', "people[*].first", ["James", "Jacob"]),
        ('{"machines": [{"name": "a", "state": "up"}, {"name": "b", "state": "down"}]}',
         "machines[?state=='up'].name", ["a"]),
        ("[0, 1, 2, 3, 4, 5, 6, 7, 8, 9]", "[0:5]", [0, 1, 2, 3, 4]),
        ("[[0, 1], 2, [3], 4, [5, [6, 7]]]", "[]", [0, 1, 2, 3, 4, 5, [6, 7]]),
    ],
)  # fmt: skip
def test_the_published_examples_of_the_language_come_out(document: str, expression: str, outcome: object) -> None:
    """JMESPath Tutorial, jmespath.org, sections Basic Expressions, Slicing and Projections; from memory."""
    assert made(expression, document.encode()) == outcome


@pytest.mark.parametrize("expression", ["lines[", "", "a..b", "(" * 1900, "foo(", "@ |"])
def test_what_is_no_expression_is_said_to_be_none_before_anything_is_sent(expression: str) -> None:
    (fault,) = check_mapping(expression, "/body/expression")
    assert fault.pointer == "/body/expression"
    assert fault.detail.startswith("is no JMESPath: ")
    refused(expression)


def test_an_expression_that_can_be_read_has_no_fault() -> None:
    assert [*check_mapping("{rows: lines[].code}", "")] == []


@pytest.mark.parametrize(
    ("expression", "words"),
    [
        ("reference", 'makes "hook 7"; an object or an array is sent'),
        ("quote_revision", "makes 1; an object or an array is sent"),
        ("nothing_of_that_name", "makes null; an object or an array is sent"),
        ("lines[0].returnable", "makes false; an object or an array is sent"),
        ("[&reference]", "cannot be evaluated"),
        ("[to_number('1e999')]", "makes a number that JSON does not have"),
        ("[to_number('nan')]", "makes a number that JSON does not have"),
        ("{a: abs(reference)}", "cannot be evaluated"),
        ("lines[::0]", "cannot be evaluated"),
        ("no_such_function(@)", "cannot be evaluated"),
        ("[merge(reference)]", "cannot be evaluated"),
        ("[reference < `1`]", "cannot be evaluated"),
        ("[avg([to_number('" + "9" * 400 + "')])]", "cannot be evaluated"),
    ],
)
def test_what_cannot_be_sent_is_refused_with_what_came_out(expression: str, words: str) -> None:
    assert words in refused(expression)


SMALL = "[to_number('1'),to_number('2')]" + "|[@,@][]" * 14
"""A list of 32 768 numbers, each of which weighs next to nothing."""

LONG, WORK, DEEP = "on the way", "takes too many steps", "recursion"


@pytest.mark.parametrize(
    ("expression", "words"),
    [
        ("lines" + "|[@,@][]" * 60, LONG),
        ("lines" + DOUBLED * 60, LONG),
        ("{a: @" + DOUBLED * 40 + ", b: @" + DOUBLED * 40 + "} | [a == b]", LONG),
        ("[reference]" + "|[join('', [@[0], @[0]])]" * 40, LONG),
        ("lines[*].[@,@,@,@]" + "[].[@,@,@,@]" * 100, LONG),
        ("[to_number('" + "9" * 3000 + "')]" + "|[@,@][]" * 12, LONG),
        ("lines" + "|[@,@][]" * 7 + "|[" + ",".join(["length(@)"] * 300) + "]", WORK),
        (SMALL + "|[?abs(abs(abs(abs(abs(abs(@))))))>`0`]" * 3, WORK),
        ("lines" + DOUBLED * 500, DEEP),
    ],
    ids=["lists", "shared", "comparison", "text", "projections", "digits", "work", "steps", "depth"],
)
def test_what_doubles_at_every_step_ends_before_it_hurts(expression: str, words: str) -> None:
    started = time.monotonic()
    assert words in refused(expression)
    assert time.monotonic() - started < 20, "even on a busy machine"


def test_nothing_huge_is_made_even_for_a_moment() -> None:
    """A separator of 60 kB between 5000 texts is 300 MB."""
    document = json.dumps({"separator": "a" * 60_000, "texts": [""] * 5000}).encode()
    tracemalloc.start()
    try:
        assert LONG in refused("[join(separator, texts)]", document)
        assert tracemalloc.get_traced_memory()[1] < 30_000_000
    finally:
        tracemalloc.stop()
    assert made("[join(', ', ['a', 'b'])]", b"{}") == ["a, b"]


def test_the_longest_body_that_may_go_out_goes_out_and_a_longer_one_does_not() -> None:
    """By hand: an array of one text of n letters is n + 4 bytes; letters that are escaped take more than they weigh."""
    fits, too_long = (json.dumps(["a" * length]).encode() for length in (MAX_BYTES - 4, MAX_BYTES - 3))
    assert len(mapped(fits, "@")) == MAX_BYTES
    assert str(MAX_BYTES + 1) in refused("@", too_long)
    assert "bytes, more than" in refused("@", json.dumps(["\x01" * (MAX_BYTES // 2)]).encode())


NAMES = st.sampled_from(["a", "lines", "code", "unit_price", '"ö"', "'text'", "`1`", "`[2,3]`", "@", "nothing"])
EXPRESSIONS = st.recursive(
    NAMES,
    lambda inner: st.one_of(
        st.builds("{0}.{1}".format, inner, inner),
        st.builds("{0}[*].{1}".format, inner, inner),
        st.builds("{0}[?{1}=={2}]".format, inner, inner, inner),
        st.builds("[{0},{1}]".format, inner, inner),
        st.builds("{{x: {0}, y: {1}}}".format, inner, inner),
        st.builds("{0}|{1}".format, inner, inner),
        st.builds("{0}[]".format, inner),
        st.builds("{0}[{1}:{2}]".format, inner, st.integers(-3, 3), st.integers(-3, 3)),
        st.builds("{0}({1})".format, st.sampled_from(["length", "to_number", "keys", "sum", "type", "max"]), inner),
        st.builds("sort_by({0},&{1})".format, inner, inner),
        st.builds("!({0})".format, inner),
    ),
    max_leaves=12,
)
JSON = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=5)
    ),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["a", "lines", "code", "ö"]), inner),
    max_leaves=10,
)


def outcome_of(expression: str, document: object) -> None:
    """Either JSON that may be sent, or a refusal with one fault; never anything else."""
    faults: tuple[Fault, ...] = ()
    found = b"[]"
    try:
        found = mapped(json.dumps(document).encode(), expression)
    except CotterlineError as error:
        faults = error.faults or (Fault("", ""),) * 2
    assert len(faults) <= 1
    assert isinstance(json.loads(found), dict | list)
    assert len(found) <= MAX_BYTES


@given(EXPRESSIONS, JSON)
def test_any_expression_over_any_document_is_sent_or_refused(expression: str, document: object) -> None:
    outcome_of(expression, document)


@given(st.text(max_size=40), JSON)
def test_any_text_at_all_is_sent_or_refused(expression: str, document: object) -> None:
    outcome_of(expression, document)


@given(st.text(alphabet="ab.[]{}()*@&|,:?!'\"`\\<>=-019", max_size=60))
def test_any_text_out_of_the_languages_own_letters_is_sent_or_refused(expression: str) -> None:
    outcome_of(expression, {"a": [1, {"b": "x"}]})
