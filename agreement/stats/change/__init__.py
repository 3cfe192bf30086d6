"""Changes between visits, in the field and in the laboratory."""
