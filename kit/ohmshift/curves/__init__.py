"""What a curve is, and how to condition it."""
