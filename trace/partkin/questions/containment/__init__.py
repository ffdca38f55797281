"""Containment cases: what they list, how far they are, and what their papers say."""
