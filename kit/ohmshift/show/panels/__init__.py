"""One panel for each guided notebook."""
