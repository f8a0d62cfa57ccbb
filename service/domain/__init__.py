"""The trade in its own words: values in, values out; no clock, database or network."""
