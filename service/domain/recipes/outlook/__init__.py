"""What a mix will do once it is built: settle, heat, breathe, lose nitrogen, shrink, hold its heat."""
