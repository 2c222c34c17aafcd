"""Before a study: how many plants, who gets what, in which order to measure."""
