"""One run as one page to hand over: gathered, drawn and written as HTML."""
