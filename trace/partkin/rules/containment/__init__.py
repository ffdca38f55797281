"""Containment: what a case lists, when a listed thing is settled, what a message may have to do with a case."""
