"""The survey itself: numpy and scipy only."""
