"""Test sequences as data: what a protocol file may say, how it is read, and the shot list it gives."""
