"""Does the analysis find what is true? It sees a simulation's frames; the grader knows its truth."""
