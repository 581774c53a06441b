"""A step of migrations that a later version of the service might bring, behind the last of today's."""

from pathlib import Path

from cotterline.store import migrate

HEAD = migrate.steps()[-1]
LATER = "9999"


def add_step(steps: Path, body: str, *besides: str) -> None:
    """Write the step into a copy of the steps.

    Args:
        steps: the copy, as the fixture makes it.
        body: of ``upgrade``.
        besides: lines of the module.
    """
    imports = ["import sqlalchemy as sa", "from alembic import op"]
    named = [f'revision = "{LATER}"', f'down_revision = "{HEAD}"']
    lines = [*imports, *named, *besides, "def upgrade() -> None:", *(f"    {line}" for line in body.splitlines())]
    (steps / "versions" / f"r{LATER}_later.py").write_text("\n".join(lines) + "\n")
