"""What is asked of the store: one question a file, one read transaction."""
