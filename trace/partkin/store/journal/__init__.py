"""The journal: entries, the bytes they are packed into, seals, and what was recorded in a night."""
