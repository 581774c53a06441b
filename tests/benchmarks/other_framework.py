"""The call for one bicycle in another framework with the same core, with nothing around the handlers of either."""

from tests.benchmarks import other_application, requests
from tests.benchmarks.figures import Figure, Outcome
from tests.benchmarks.grounds import Grounds, Size, serving
from tests.benchmarks.one_call import told


def measure(grounds: Grounds, size: Size) -> Outcome:
    """Measure all three; nothing is asked of the ratio."""
    place = grounds.place("SQLite")
    with serving("bare", place) as running:
        (ours,) = running.costs(size, requests.SINGLE)
    with serving("other", place) as running:
        paths = (other_application.WITH_MODELS, other_application.WITH_THE_CORES_TYPES)
        models, types = running.costs(size, *paths)
    beside = f"{told(ours)}, Litestar with the core's types"
    return Outcome(
        (
            Figure("FastAPI, models of its own", told(models), beside, models.cpu / ours.cpu),
            Figure("FastAPI, the core's types", told(types), beside, types.cpu / ours.cpu),
        )
    )
