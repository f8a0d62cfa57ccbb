"""A line of piles: many piles, bays, crews and wanted volumes planned together."""
