"""Reads the exports of waste-chute controllers: timeline, intervals, cycles, findings."""
