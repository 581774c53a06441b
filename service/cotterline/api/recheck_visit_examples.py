"""An invented re-check visit for the API document."""

from datetime import timedelta
from uuid import UUID

from cotterline.api.operation import EXAMPLE_ID
from cotterline.api.quotes import EXAMPLE_NOW
from cotterline.bench.recheck_visits import VisitState
from cotterline.delivery.recheck_visit_events import RecheckVisit
from cotterline.store.audit import BY_ITSELF


def example_visit(state: VisitState = "scheduled", version: int = 1) -> RecheckVisit:
    """A visit two weeks after the fitting."""
    due = EXAMPLE_NOW + timedelta(days=14)
    announced = state == "announced"
    return RecheckVisit(
        quote_id=UUID(EXAMPLE_ID),
        created_at=EXAMPLE_NOW,
        due_at=due,
        state=state,
        version=version,
        by=BY_ITSELF if announced else EXAMPLE_ID,
        changed_at=due if announced else EXAMPLE_NOW,
    )
