"""Writes the NetCDF-4 files beside it with the package netCDF4 (1.7.5), which is not ours.

``python make.py`` in this folder. All values are invented.
"""

import netCDF4
import numpy as np


def sites() -> None:
    """Two sites, packed in 16 bits, with a missing and an out-of-range value."""
    with netCDF4.Dataset("sites.nc", "w") as file:
        file.title = "invented window, as coated"
        file.createDimension("site", 2)
        file.createDimension("wavelength", 4)
        axis = file.createVariable("wavelength", "f4", ("wavelength",))
        axis.standard_name, axis.units = "radiation_wavelength", "micrometer"
        axis[:] = [0.4, 0.5, 0.6, 0.7]
        values = file.createVariable("t", "i2", ("site", "wavelength"), zlib=True, fill_value=-9)
        values.long_name, values.units = "spectral transmittance", "1"
        values.scale_factor, values.add_offset = 0.0001, 0.01
        values.valid_range = np.array([-100, 10000], "i2")
        values.ancillary_variables = "t_sigma"
        values.set_auto_maskandscale(False)
        values[:] = [[9123, -9, -100, 10000], [10001, 1, 2, 3]]
        sigma = file.createVariable("t_sigma", "f4", ("wavelength",))
        sigma[:] = 0.001


def cube() -> None:
    """A map of 2 x 3 places against wavenumber in m-1, with a value that nobody wrote."""
    with netCDF4.Dataset("cube.nc", "w") as file:
        for name, length in (("x", 2), ("y", 3), ("k", 2)):
            file.createDimension(name, length)
        axis = file.createVariable("k", "f8", ("k",))
        axis.standard_name, axis.units = "radiation_wavenumber", "m-1"
        axis[:] = [100000.0, 100050.0]
        values = file.createVariable("r", "f8", ("x", "y", "k"))
        values.standard_name, values.units = "reflectance", "%"
        values[:, :2, :] = np.arange(8.0).reshape(2, 2, 2)


sites()
cube()
