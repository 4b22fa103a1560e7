"""The cells of a balance as data frames of pandas and polars: cells_frame.py SESSION LOG."""

import sys

import polars as pl

import mixmon

run = mixmon.read_run(mixmon.load_session(sys.argv[1]), sys.argv[2])
cells = mixmon.balance(run).to_arrow("cells")
print(cells.to_pandas().pivot_table("needs_percent", ["rpm", "load"], "cylinder").round(1))
print(pl.from_arrow(cells).group_by("cylinder").agg(pl.col("usable_s").sum()).sort("cylinder"))
