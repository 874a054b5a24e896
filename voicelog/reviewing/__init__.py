"""What a reviewer does to a closed case, and the local server of the pages it is done on."""
