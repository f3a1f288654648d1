"""Commands, one short file each: parse, call the API, print. No computation."""
