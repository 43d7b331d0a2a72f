"""Run by Alembic: migrations go through the connection that was given, inside its transaction."""

from __future__ import annotations

from alembic import context

from stepwitness.records.store.models import Base
from stepwitness.records.store.schema import VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
