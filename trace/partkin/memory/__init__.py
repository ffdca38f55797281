"""The genealogy as arrays in memory: it follows the store, and answers what reaches very many units."""
