"""Tests on X-ray pictures and detector frames that no one here made (``testdata/README.md``)."""
