"""The life of an order, as the tables by which the service works out where one stands."""

from litestar import get

from cotterline.api.operation import Example
from cotterline.bench.order_life import OrderLife


@get(
    "/v1/reference/order-life",
    operation_id="readOrderLife",
    tags=["reference"],
    summary="What the states of an order mean, and what leads where",
    opt={"scope": None, "examples": {"tables": Example("The tables", OrderLife)}},
)
async def life() -> OrderLife:
    """Give what each state of an order and of its lines means, and what each thing a supplier may say does in which."""
    return OrderLife()
