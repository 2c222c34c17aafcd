"""The page on which a person points at start line, front and spots of a photographed strip."""
