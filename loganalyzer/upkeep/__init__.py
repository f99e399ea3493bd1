"""Keeping a store in order: is it whole, what can be rebuilt, what is old enough to go."""
