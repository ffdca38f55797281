"""The books: fetched and locked for a batch, written back, rebuilt from the journal, read in bulk."""
