"""JSON over HTTP: a thin file a noun."""
