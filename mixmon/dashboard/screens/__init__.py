"""The screens: one view model a page, rows of text and style names, no terminal library."""
