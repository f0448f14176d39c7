# A first look at saved tables with pandas, cell by cell (open in an editor that knows `# %%`, or run it as it is):
#     python scripts/tables/notebook.py out/demo

# %% Read the tables. Missing values are empty cells, so that pandas makes them NaN; text stays text.
import sys
from pathlib import Path

import pandas as pd

folder = Path(sys.argv[1] if len(sys.argv) > 1 else "out/demo")
ends = pd.read_csv(folder / "ends.csv")
specimens = pd.read_csv(folder / "specimens.csv")
print(f"{len(ends)} ends of {ends.specimen.nunique()} specimens")

# %% The published figures: one row per break face. Intervals belong to the figure; show them together.
columns = ["specimen", "kind", "knot", "sheared_fraction", "sheared_low", "sheared_high", "verdict"]
print(specimens[columns].to_string(index=False))

# %% What the labels look like in the measurements. Only ends that count: doubles and pictures left out would pull.
counted = ends[ends.counted == "yes"]
print(counted.groupby("label")[["bulb_ratio", "flatness", "shaft_diameter_um", "quality"]].median().round(3))

# %% Knots by their specimens, never by pooled ends: ends of one specimen are not independent.
knots = specimens[specimens.kind == "knot"].groupby("knot").sheared_fraction.agg(["count", "mean", "std"])
print(knots.round(3))

# %% Does the share of cut fibres go with the load? One point per specimen.
loads = specimens.dropna(subset=["peak_load_n", "sheared_fraction"])
print(loads[["specimen", "sheared_fraction", "peak_load_n"]].to_string(index=False))

# %% Ends to look at again: those that the model was least sure of, best seen first.
unsure = counted[counted.label == "unclear"].sort_values("quality", ascending=False)
print(unsure[["image", "end", "p_sheared", "quality", "reason"]].head(10).to_string(index=False))
