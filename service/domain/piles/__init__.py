"""What a pile is, derived from what was recorded of it."""
