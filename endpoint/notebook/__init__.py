"""For notebooks and scripts: analyse a recording, take arrays and tables, see the result.

    >>> import endpoint
    >>> result = endpoint.analyse("sample_media/quarry-pond.toml")
    >>> result.status
    'located'
    >>> print(f"{result.equivalence.value_ml:.2f} mL")
    17.18 mL

In Jupyter a result that stands last in a cell is shown with its chart.
"""
