"""What each kind of protocol measures and concludes, from a folder of frames to the sections of its results."""
