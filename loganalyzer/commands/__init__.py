"""What each command does: one library call, its result as text or JSON, an exit status."""
