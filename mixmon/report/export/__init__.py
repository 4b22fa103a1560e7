"""What leaves the program as tables: their fields, and the files that hold them."""
