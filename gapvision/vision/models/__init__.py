"""Stored models: a net in ONNX and its facts in JSON."""
