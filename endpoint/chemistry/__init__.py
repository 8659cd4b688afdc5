"""Mass balances of metal, EDTA and indicator, and the indicators themselves."""
