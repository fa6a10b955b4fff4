"""What alembic runs for an upgrade: the steps of ``versions/``, on the connection and in the transaction that it was given."""
from alembic import context

context.configure(connection=context.config.attributes["connection"], version_table_schema="office")
context.run_migrations()
