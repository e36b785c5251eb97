"""Arrays in, numbers out: noise of pairs of flats and darks, edges, blur. No files, clock or plots."""
