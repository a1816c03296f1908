"""What a standard asks of a picture, of a weld shot like this, and what can be met."""
