"""The invented workshop's bicycles, settings and prices, from the installed package or, in a clone, from its top."""

from pathlib import Path
from typing import Final

import msgspec

import cotterline
from cotterline.api import parts, price_lists
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.shop_profile import ShopProfile
from cotterline.bench.workshop import Workshop

BIKE_FILES: Final = ("bikes.json", "bikes.csv")
SETTINGS_FILE: Final = "settings.json"
PARTS_FILE: Final = "parts.csv"
PRICE_FILES: Final = {
    "Salt quay stores": "prices_salt_quay_stores.csv",
    "Upper lock depot": "prices_upper_lock_depot.csv",
}
"""By the supplier whose prices they are."""


def bikes_folder() -> Path:
    """Where the files are.

    Raises:
        FileNotFoundError: this installation has none.
    """
    package = Path(cotterline.__file__).parent
    for place in (package, package.parents[1]):
        found = place / "demo_fixtures"
        if (found / BIKE_FILES[0]).is_file():
            return found
    raise FileNotFoundError(f"the demonstration's bicycles are not installed beside {package}")


def demo_bikes() -> tuple[QuoteRequest, ...]:
    """The bicycles."""
    return msgspec.json.decode((bikes_folder() / BIKE_FILES[0]).read_bytes(), type=tuple[QuoteRequest, ...])


def demo_workshop() -> Workshop:
    """The workshop with its settings, its catalogue, and what its suppliers ask."""
    there = bikes_folder()
    return Workshop(
        profile=msgspec.json.decode((there / SETTINGS_FILE).read_bytes(), type=ShopProfile),
        parts=parts.TABLE.read((there / PARTS_FILE).read_bytes()).parts,
        price_lists=tuple(price_lists.TABLE.read((there / name).read_bytes()) for name in PRICE_FILES.values()),
    )
