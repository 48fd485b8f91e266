"""What people hold in their hands: maps, layers, tables, sheets and the summary of a week."""
