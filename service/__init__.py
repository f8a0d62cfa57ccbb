"""Heapledger: recipes, turning schedules and time-temperature verdicts for hot, turned compost piles."""

import os

# Before NumPy loads: our matrices are small, and threads that wait for each other made a 0.2 s climb take 17 s.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
