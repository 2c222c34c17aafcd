"""Raw files of any supported form, read into scans."""
