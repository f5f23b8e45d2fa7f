"""Files in, findings out."""
