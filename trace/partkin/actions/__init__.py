"""What changes the store: one verb a file, one write transaction."""
