"""The page in the browser: change a sensor, see the map move. The API offers all that is worked out here."""
