"""The yearly report: a year of visits counted, added up and added up again."""
