"""Partkin: the birth record of every unit, and the way from a bad lot to the units that it went into.

rules         pure: what a scan names, what may be married, what was exposed; no database, no HTTP
store         everything that speaks SQL, on SQLite and on PostgreSQL
actions       what changes the store: one verb a file, one write transaction
questions     what is asked of the store: one question a file, one read transaction
exports       what leaves the house
web           HTTP
command_line  the same actions and questions at a terminal
Imports go one way: web | command_line > actions | questions | exports > store > rules."""
