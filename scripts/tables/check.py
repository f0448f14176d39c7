"""Opens the Parquet tables of a folder of results with pyarrow, polars and duckdb, and compares them with the CSV ones.

    python scripts/tables/check.py RESULTS

The queries are those of the README.
"""

import csv
import sys
from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq

TABLES = ("ends", "images", "specimens", "sides", "carriers", "knots", "pairs")
folder = Path(sys.argv[1])


def as_text(value):
    """A value as the CSV table writes it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value


def unguarded(cell):
    """Without the apostrophe that keeps a spreadsheet from running text as a formula."""
    guarded = cell.startswith("'") and cell.lstrip("'")[:1] in tuple("=+-@\t\r\n＝＋－＠")
    return cell[1:] if guarded else cell


def same(cell, value):
    value = as_text(value)
    return float(cell) == value if isinstance(value, (int, float)) and cell else unguarded(cell) == str(value)


for name in TABLES:
    table = pq.read_table(folder / f"{name}.parquet")
    with open(folder / f"{name}.csv", newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    assert [unguarded(h) for h in header] == table.column_names, name
    assert table.num_rows == len(rows), name
    for field in table.schema:
        unit, meaning = field.metadata[b"unit"].decode(), field.metadata[b"meaning"].decode()
        assert meaning, f"{name}.{field.name} has no meaning"
        for ending, expected in (("_px", "px"), ("_um", "um"), ("_deg", "deg")):
            if field.name.endswith(ending) and str(field.type) == "double" and "um_per_px" not in field.name:
                assert unit == expected, f"{name}.{field.name}: unit {unit!r}"
    for row, values in zip(rows, table.to_pylist(), strict=True):
        wrong = [h for h, cell, v in zip(header, row, values.values(), strict=True) if not same(cell, v)]
        assert not wrong, f"{name}: {wrong}"
    assert pl.read_parquet(folder / f"{name}.parquet").shape == (table.num_rows, table.num_columns), name
    n, = duckdb.sql(f"select count(*) from '{folder}/{name}.parquet'").fetchall()[0]
    assert n == len(rows), name
    print(f"{name}: {len(rows)} rows, {table.num_columns} columns: pyarrow, polars, duckdb and CSV agree")

# The example queries: sheared ends per specimen, three ways, against the CSV table.
with open(folder / "ends.csv", newline="", encoding="utf-8") as file:
    expected = {}
    for row in csv.DictReader(file):
        if row["counted"] == "yes" and row["label"] == "sheared":
            expected[row["specimen"]] = expected.get(row["specimen"], 0) + 1

ends = folder / "ends.parquet"
table = pq.read_table(ends, columns=["specimen"], filters=[("label", "=", "sheared"), ("counted", "=", True)])
by_arrow = {r["specimen"]: r["specimen_count"] for r in table.group_by("specimen").aggregate([("specimen", "count")]).to_pylist()}
query = pl.scan_parquet(ends).filter(pl.col("counted") & (pl.col("label") == "sheared")).group_by("specimen").len()
by_polars = dict(query.collect().iter_rows())
sql = f"select specimen, count(*) from '{ends}' where counted and label = 'sheared' group by specimen"
by_duckdb = dict(duckdb.sql(sql).fetchall())
assert by_arrow == by_polars == by_duckdb == expected, (by_arrow, by_polars, by_duckdb, expected)
print(f"sheared ends per specimen: {sum(expected.values())} in {len(expected)} specimens, three ways the same")
