"""What a person sees in QGIS."""
