"""The dashboard: draws what loganalyzer works out."""
