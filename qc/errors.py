"""One family of exceptions. Each message is one sentence: what is wrong, with which photo or line, what to do."""


class CakeQCError(Exception):
    """Base of everything a user can be told; the page and the command line catch only this."""


class PhotoError(CakeQCError):
    """A file that is no usable photo."""


class CardError(CakeQCError):
    """The reference card cannot be found or trusted in a photo."""


class OutlineError(CakeQCError):
    """No cake, or no trustworthy outline of it, in a photo."""


class FitError(CakeQCError):
    """The photos do not agree on one cake."""


class StandardError(CakeQCError):
    """A house standard that cannot be used."""


class RecordError(CakeQCError):
    """Something cannot be stored or found."""


class PageError(CakeQCError):
    """The page cannot be started or shown."""
