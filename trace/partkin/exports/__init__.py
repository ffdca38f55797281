"""What leaves the house."""
