"""Alembic's way in: runs the revisions on the connection that app/store.py hands over."""

from alembic import context

connection = context.config.attributes["connection"]
context.configure(connection=connection, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
