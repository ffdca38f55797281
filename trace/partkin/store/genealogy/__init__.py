"""What is in what: walked down to the content and up to the units, and where items and pieces are."""
