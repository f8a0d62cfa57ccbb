"""The invented demo scenario: three sites, two seasons of simulated readings."""
