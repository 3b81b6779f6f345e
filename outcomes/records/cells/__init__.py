"""What a cell says: numbers with units and sides, dates, words. One decision per column."""
