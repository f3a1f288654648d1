"""The design-review document and its tables."""
