"""One module a question: its layout and its callbacks."""
