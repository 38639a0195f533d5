"""The workbench in a browser: clouds, slices, scans and figures, with sliders; for a rover without a screen.

`draft` is the profile being changed, `sliders` what there is to move, `source` the frames, `looking` what a
frame is under a profile, `figures` what that comes to; `bench` puts them together and knows no browser.
`wire` packs what it says, `gate` decides who may come in, `serving` is the server, `assets` the page itself.
"""
