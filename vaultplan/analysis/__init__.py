"""What the records say: hot spots, trends, laboratory results, samples to draw, the year."""
