"""JSON Merge Patch does what RFC 7396 says."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.api.merge_patch import merged

# RFC 7396 (October 2014), appendix A, whole: original, patch, result.
PUBLISHED = [
    ('{"a":"b"}', '{"a":"c"}', '{"a":"c"}'),
    ('{"a":"b"}', '{"b":"c"}', '{"a":"b","b":"c"}'),
    ('{"a":"b"}', '{"a":null}', "{}"),
    ('{"a":"b","b":"c"}', '{"a":null}', '{"b":"c"}'),
    ('{"a":["b"]}', '{"a":"c"}', '{"a":"c"}'),
    ('{"a":"c"}', '{"a":["b"]}', '{"a":["b"]}'),
    ('{"a":{"b":"c"}}', '{"a":{"b":"d","c":null}}', '{"a":{"b":"d"}}'),
    ('{"a":[{"b":"c"}]}', '{"a":[1]}', '{"a":[1]}'),
    ('["a","b"]', '["c","d"]', '["c","d"]'),
    ('{"a":"b"}', '["c"]', '["c"]'),
    ('{"a":"foo"}', "null", "null"),
    ('{"a":"foo"}', '"bar"', '"bar"'),
    ('{"e":null}', '{"a":1}', '{"e":null,"a":1}'),
    ("[1,2]", '{"a":"b","c":null}', '{"a":"b"}'),
    ("{}", '{"a":{"bb":{"ccc":null}}}', '{"a":{"bb":{}}}'),
]

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
)


@pytest.mark.parametrize(("original", "patch", "result"), PUBLISHED)
def test_the_published_cases_hold(original: str, patch: str, result: str) -> None:
    assert merged(msgspec.json.decode(original), msgspec.json.decode(patch)) == msgspec.json.decode(result)


@given(VALUES, VALUES)
def test_patching_again_changes_nothing_more_and_neither_value_is_touched(target: Any, patch: Any) -> None:  # noqa: ANN401
    before = msgspec.json.encode([target, patch])
    once = merged(target, patch)
    assert merged(once, patch) == once
    assert msgspec.json.encode([target, patch]) == before
