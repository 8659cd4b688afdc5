"""A population of titrations as people make them, drawn all at once, and each graded by its truth.

`draws` draws everything from one seed, `grading` grades the truth, `colours` makes what a camera
measures, `writing` what the person writes down, `judging` asks the program. Nothing here shares
constants, renderer or habits with `endpoint` or `sample_media`.
"""
