"""Papers of a containment case: for consignees, for the regulator's form, for the case's own file."""
