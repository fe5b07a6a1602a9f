"""What a tube sends, what a layered paint returns, what a detector makes of it."""
