"""Run the steps on the connection that ``store/migrate.py`` hands over, inside its one transaction."""

from alembic import context
from sqlalchemy import Connection

from cotterline.store.tables import metadata


def run(connection: Connection) -> None:
    """Apply the steps and leave no reference dangling."""
    on_sqlite = connection.dialect.name == "sqlite"
    context.configure(
        connection=connection,
        target_metadata=metadata,
        render_as_batch=on_sqlite,
        transactional_ddl=True,
    )
    with context.begin_transaction():
        context.run_migrations()
    if on_sqlite and (dangling := connection.exec_driver_sql("PRAGMA foreign_key_check").all()):
        raise RuntimeError(f"the migration would leave {len(dangling)} references without their row: {dangling[:5]}")


run(context.config.attributes["connection"])
