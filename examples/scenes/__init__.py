"""The harbour museum's archive pictures, one module a picture."""
