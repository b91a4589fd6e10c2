"""Web: what the worker shows to others, and one way to serve it over HTTP."""
