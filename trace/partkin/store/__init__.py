"""Everything that speaks SQL; SQLite and PostgreSQL differ only here."""
