"""Teaching room: ray-traced seams, a photo chain, training and evaluation of the learned edge detector.

Needs the extra ``train`` (mitsuba, torch, onnx).  Nothing in the product imports this room.
"""
