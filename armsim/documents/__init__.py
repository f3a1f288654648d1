"""YAML in: quantities with units, validated documents, references between files, errors with file and line."""

from armsim.documents.load import check_file, load_scenario

__all__ = ["check_file", "load_scenario"]
