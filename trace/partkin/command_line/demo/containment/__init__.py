"""The alarm becomes a containment case, which is played to its end; a second one is left open."""
