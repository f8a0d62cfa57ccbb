"""Tables, queries, the embedded server."""
