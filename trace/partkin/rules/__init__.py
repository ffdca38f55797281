"""What is right, as pure functions: no database, no HTTP, no clock of their own."""
