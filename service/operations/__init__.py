"""One function per thing a caller can change; each owns the order of its steps."""
