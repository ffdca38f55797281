"""Containment cases: what they list, what was said of them, and what a freeze would stop."""
