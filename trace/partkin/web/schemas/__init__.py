"""The forms of answers, for the documentation, and as the columns of CSV."""
