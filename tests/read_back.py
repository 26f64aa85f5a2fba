"""Opens a spreadsheet and columnar files of `dropwise export` with libraries of others, and compares every value with the JSON Lines.

    python3 tests/read_back.py FOLDER

FOLDER holds all.jsonl, all.xlsx and results.parquet, portions.parquet, points.parquet of the same runs. Needs openpyxl and pyarrow.
"""

import datetime
import json
import pathlib
import sys

import openpyxl
import pyarrow.parquet as columns

folder = pathlib.Path(sys.argv[1])
rows = {"results": [], "portions": [], "points": []}
with open(folder / "all.jsonl", encoding="utf-8") as lines:
    for line in lines:
        row = json.loads(line)
        rows[row.pop("table")].append(row)
compared = 0


def moment(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))


for table, expected in rows.items():
    assert expected, f"no rows of {table}"
    names = [name for name in expected[0] if name != "schema"]
    read = columns.read_table(folder / f"{table}.parquet")
    metadata = {key.decode(): value.decode() for key, value in read.schema.metadata.items()}
    assert metadata["dropwise.schema"] == "1", metadata
    units = json.loads(metadata["dropwise.units"])
    if table == "points":
        assert units == {"volume_ml": "mL", "mass_g": "g", "temperature_degc": "degC", "time_s": "s"}, units
    assert read.column_names == names, (read.column_names, names)
    got = read.to_pylist()
    assert len(got) == len(expected), (table, len(got), len(expected))
    for a, b in zip(got, expected):
        for name in names:
            if isinstance(a[name], datetime.datetime):
                assert a[name] == moment(b[name]), (table, name, a[name], b[name])
            else:
                assert a[name] == b[name] and type(a[name]) in (type(b[name]), float), (table, name, a[name], b[name])
            compared += 1

# A spreadsheet shows what is hidden by its name, and holds 15 digits and milliseconds.
book = openpyxl.load_workbook(folder / "all.xlsx")
assert book.sheetnames == list(rows), book.sheetnames
for table, expected in rows.items():
    names = [name for name in expected[0] if name != "schema"]
    sheet = list(book[table].iter_rows())
    headings = [cell.value for cell in sheet[0]]
    assert [heading.split(" ")[0] for heading in headings] == names, headings
    assert len(sheet) == len(expected) + 1, (table, len(sheet))
    for cells, b in zip(sheet[1:], expected):
        for name, cell in zip(names, cells):
            a, wanted = cell.value, b[name]
            assert cell.data_type != "f", (table, name, a)
            if isinstance(a, datetime.datetime):
                late = abs(a.replace(tzinfo=datetime.timezone.utc) - moment(wanted))
                assert late < datetime.timedelta(milliseconds=2), (table, name, a, wanted)
            elif isinstance(wanted, (int, float)):
                assert isinstance(a, (int, float)) and abs(a - wanted) <= 1e-14 * abs(wanted), (table, name, a, wanted)
            elif wanted is not None and wanted.isprintable():
                assert a == wanted, (table, name, a, wanted)
            elif wanted is not None:
                hidden = [c for c in a if not c.isprintable()]
                assert not hidden, (table, name, hidden)
            else:
                assert a is None, (table, name, a)
            compared += 1
print(f"{compared} values are equal in Parquet, spreadsheet and JSON Lines")
