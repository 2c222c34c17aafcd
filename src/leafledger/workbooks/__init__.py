"""Office Open XML workbooks, read within bounds: the package, the book, the cells of a sheet."""
