"""Sending DICOM files to named peers, through a queue that outlives power cuts."""
