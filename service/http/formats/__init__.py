"""The forms readings arrive in; each is read into the same columns."""
