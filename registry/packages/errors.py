"""What can be wrong with a package, or with the tables one is made from."""

from registry.errors import ErrorKind, RegistryError


class PackageFault(RegistryError):
    """A table does not fit its declaration, or a file is not a release package."""

    kind = ErrorKind.INVALID
    code = "package_fault"
    title = "The release package is not as declared"
