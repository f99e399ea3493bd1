"""What was worked out once and is kept: roll-ups, findings, standings, each named by its origin."""
