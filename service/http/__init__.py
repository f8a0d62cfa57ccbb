"""The edge: routers, request and answer models, authority, problems."""
