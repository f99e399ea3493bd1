"""From what the log holds of one container: when it was full, and when it was emptied."""
