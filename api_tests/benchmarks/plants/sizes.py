"""How many bytes a store takes, by table and index."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing

from sqlalchemy import Connection, func, select, text

from partkin.store import tables
from partkin.store.database import Database

_POSTGRESQL = """
    SELECT relname, '', pg_table_size(oid) FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace
    UNION ALL
    SELECT owner.relname, made.relname, pg_relation_size(made.oid)
    FROM pg_index JOIN pg_class made ON made.oid = indexrelid JOIN pg_class owner ON owner.oid = indrelid
    WHERE owner.relnamespace = 'public'::regnamespace
"""
_SQLITE = """
    SELECT tbl_name, CASE type WHEN 'index' THEN sqlite_master.name ELSE '' END, dbstat.pageno * page_size
    FROM dbstat JOIN sqlite_master ON sqlite_master.name = dbstat.name JOIN pragma_page_size
    WHERE dbstat.aggregate = TRUE
"""
# Where dbstat aggregates, pageno is the number of pages; its pgsize has 32 bits only.
LEAST = 0.1
"""Bytes a marriage from which a table or an index has a line of its own."""


def print_sizes(url: str) -> None:
    """A Markdown table of bytes a marriage, the largest tables first."""
    with closing(Database(url)) as database, database.read() as connection:
        marriages = connection.scalar(select(func.count()).select_from(tables.marriage)) or 1
        print(f"{database.dialect}, {marriages:,} marriages\n")
        print("| table | index | MB | bytes a marriage |\n|---|---|---|---|")
        for table, index, size in _lines(connection):
            if size / marriages >= LEAST:
                print(f"| {table} | {index} | {size / 1e6:,.1f} | {size / marriages:,.1f} |")


def sizes(connection: Connection) -> list[tuple[str, str, int]]:
    """Table, index (empty: the table itself), bytes."""
    asked = _POSTGRESQL if connection.dialect.name == "postgresql" else _SQLITE
    return [(table, index, int(size)) for table, index, size in connection.execute(text(asked))]


def _lines(connection: Connection) -> Iterator[tuple[str, str, int]]:
    """Table, index, bytes: first all together, then each table with its indexes, then each by itself."""
    rows = sizes(connection)
    yield "**all**", "", sum(size for _, _, size in rows)
    whole: dict[str, int] = {}
    for table, _, size in rows:
        whole[table] = whole.get(table, 0) + size
    for table in sorted(whole, key=lambda name: -whole[name]):
        yield f"**{table}**", "with its indexes", whole[table]
        of_table = sorted((row for row in rows if row[0] == table), key=lambda row: (row[1] != "", -row[2]))
        yield from of_table
