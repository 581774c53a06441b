"""What a customer agreed to, for the acts that need it."""

from typing import Any


def agreed(action: str, amount: str = "", currency: str = "EUR", **more: object) -> dict[str, Any]:
    """The member ``approval`` of an act that needs one, the ceiling of an extend higher than that of an approve."""
    if action not in {"approve", "extend"}:
        return {}
    ceiling = {"amount": amount or {"approve": "140", "extend": "180"}[action], "currency": currency}
    return {"approval": {"ceiling": ceiling, "by": "Ada Fell", "how": "telephone", **more}}
