"""How work is run: threads, processes, memory, progress."""
