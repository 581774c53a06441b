"""What a method made before, remembered with its object and let go with it."""

from collections.abc import Callable
from functools import lru_cache
from typing import ParamSpec, TypeVar, cast
from weakref import WeakMethod

Asked = ParamSpec("Asked")
Made = TypeVar("Made")


def remembering(method: Callable[Asked, Made], most: int) -> Callable[Asked, Made]:
    """Return the method, with what it made the last ``most`` times it was asked for something else.

    A cache of a bound method holds the object that holds the cache: such a ring is let go only when all of memory is
    looked through, which in a long life is seldom. This one leads back to nothing.

    >>> class Bench:
    ...     def __init__(self):
    ...         self.asked, self.twice = 0, remembering(self._twice, 8)
    ...     def _twice(self, number):
    ...         self.asked += 1
    ...         return 2 * number
    >>> bench = Bench()
    >>> bench.twice(4), bench.twice(4), bench.asked
    (8, 8, 1)
    """
    its_own = WeakMethod(method)

    def make(*of: Asked.args, **named: Asked.kwargs) -> Made:
        found = its_own()
        if found is None:
            raise ReferenceError("what remembers this is gone")
        return found(*of, **named)

    return cast("Callable[Asked, Made]", lru_cache(maxsize=most)(make))  # which takes what can be a key, as each does
