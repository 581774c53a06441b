"""Databases of SQLite for the tests, as files of one folder: made, copied and dropped as those of PostgreSQL are."""

import asyncio
import shutil
from pathlib import Path
from uuid import uuid4

from sqlalchemy import make_url

from cotterline.store.migrate import migrate
from tests import shops


class Files:
    """Databases that hold the migrated tables and two shops already, each a copy of one that was migrated once.

    Args:
        folder: where the files stand.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.template = folder / "template.sqlite3"
        url = f"sqlite:///{self.template}"
        asyncio.run(migrate(url))
        self.shops = asyncio.run(shops.add(url))

    def create(self, *, migrated: bool = True) -> str:
        """Return the URL of a new database, with the tables and the shops or not there yet."""
        path = self._folder / f"{uuid4().hex}.sqlite3"
        if migrated:
            shutil.copy(self.template, path)
        return f"sqlite:///{path}"

    def copy(self, url: str) -> str:
        """Return the URL of a new database like another, to which nobody is connected."""
        copied = self.create(migrated=False)
        shutil.copy(_file(url), _file(copied))
        return copied

    @staticmethod
    def drop(url: str) -> None:
        """Remove a database, and what SQLite keeps beside it."""
        path = _file(url)
        for each in (path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")):
            each.unlink(missing_ok=True)


def _file(url: str) -> Path:
    return Path(str(make_url(url).database))
