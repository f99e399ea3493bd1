"""Pickups: when containers will be full, what another rule would change, and whether that holds."""
