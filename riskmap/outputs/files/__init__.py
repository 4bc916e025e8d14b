"""Tables of lots in the formats that people open: CSV, XLSX, GeoParquet, GeoPackage, GeoJSON, KML, public groups."""
