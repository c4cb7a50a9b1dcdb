"""Cases, their photos, hand tests and corrected marks, with full-text search over notes."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the first layout."""
    op.create_table(
        "cases",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("kept_at", sa.String(32), nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("notes", sa.Text, nullable=False),
        sa.Column("outcome", sa.String(16), nullable=False),
        sa.Column("era", sa.String(16)),
        sa.Column("answer", sa.Text, nullable=False),
        sa.Column("model_sha256", sa.String(64), nullable=False),
        sa.Column("truth", sa.String(16)),
        sa.Column("truth_how", sa.Text),
        sa.Column("truth_at", sa.String(32)),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_cases_outcome", "cases", ["outcome"])
    op.create_table(
        "photos",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("case_id", sa.Integer, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("label", sa.Text, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("width", sa.Integer, nullable=False),
        sa.Column("height", sa.Integer, nullable=False),
        sa.Column("jpeg", sa.LargeBinary, nullable=False),
        sa.Column("marks", sa.Text),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name="fk_photos_case", ondelete="CASCADE"),
        sa.UniqueConstraint("case_id", "position", name="uq_photos_position"),
    )
    op.create_table(
        "hand_tests",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("case_id", sa.Integer, nullable=False),
        sa.Column("test", sa.String(32), nullable=False),
        sa.Column("outcome", sa.String(64), nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name="fk_hand_tests_case", ondelete="CASCADE"),
    )
    if op.get_bind().dialect.name == "sqlite":
        op.execute("CREATE VIRTUAL TABLE notes_index USING fts5(title, notes, content='cases', content_rowid='id')")
        op.execute(
            "CREATE TRIGGER cases_added AFTER INSERT ON cases BEGIN "
            "INSERT INTO notes_index(rowid, title, notes) VALUES (new.id, new.title, new.notes); END"
        )
        op.execute(
            "CREATE TRIGGER cases_removed AFTER DELETE ON cases BEGIN "
            "INSERT INTO notes_index(notes_index, rowid, title, notes) VALUES "
            "('delete', old.id, old.title, old.notes); END"
        )
        op.execute(
            "CREATE TRIGGER cases_changed AFTER UPDATE OF title, notes ON cases BEGIN "
            "INSERT INTO notes_index(notes_index, rowid, title, notes) VALUES "
            "('delete', old.id, old.title, old.notes); "
            "INSERT INTO notes_index(rowid, title, notes) VALUES (new.id, new.title, new.notes); END"
        )
    else:
        op.execute("CREATE INDEX ix_cases_text ON cases USING gin (to_tsvector('simple', title || ' ' || notes))")


def downgrade() -> None:
    """Remove everything."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute("DROP TABLE notes_index")
    for table in ("hand_tests", "photos", "cases"):
        op.drop_table(table)
