"""The command line. Heavy imports stand inside the commands."""
