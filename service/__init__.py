"""Heapledger: recipes, turning schedules and time-temperature verdicts for hot, turned compost piles."""
