"""One file per kind of requirement, each turns readings into findings; and the run itself."""
