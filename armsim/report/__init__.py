"""The design-review document and the tables beside it."""
