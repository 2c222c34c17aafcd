"""What do the leaves hold: pigment assays, chromatograms, and the calibration of an index?"""
