"""Curves: noise against ISO, sharpness against f-number, blur against shutter speed."""
