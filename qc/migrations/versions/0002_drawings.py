"""Pictures that explain a measurement, kept with it."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "drawings",
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"], name=op.f("fk_drawings_sha256")),
        sa.ForeignKeyConstraint(["take_id"], ["takes.id"], name=op.f("fk_drawings_take_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("take_id", "name", name=op.f("pk_drawings")),
    )
    with op.batch_alter_table("drawings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_drawings_sha256"), ["sha256"], unique=False)


def downgrade() -> None:
    op.drop_table("drawings")
