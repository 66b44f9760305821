"""Rival explanations weighed against each other by how well each explains all summaries at once, over time."""
