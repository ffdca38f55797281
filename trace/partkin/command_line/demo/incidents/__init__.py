"""What goes wrong in the shift, and how it ends."""
