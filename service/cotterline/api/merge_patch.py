"""JSON Merge Patch (RFC 7396): what is absent stays, what is null goes, everything else is put in its place."""

from typing import Any

MEDIA_TYPE = "application/merge-patch+json"


def merged(target: Any, patch: Any) -> Any:  # noqa: ANN401 - any JSON value
    """``target`` after ``patch``, as in the pseudocode of RFC 7396, section 2; neither is changed.

    >>> merged({"a": "b", "c": {"d": "e", "f": "g"}}, {"a": "z", "c": {"f": None}})
    {'a': 'z', 'c': {'d': 'e'}}
    """
    if not isinstance(patch, dict):
        return patch
    kept = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            kept.pop(name, None)
        else:
            kept[name] = merged(kept.get(name), value)
    return kept
