"""Everything a person receives: pages, figures, letters. Results in, HTML, PNG and mail out."""
