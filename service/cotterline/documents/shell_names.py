"""What a shell is called in a reader's words: one name where both sides are alike, else one for each."""

from cotterline.bench.shell.families import FAMILIES, FamilyId
from cotterline.documents.language import Language


def shell_name(drive: FamilyId, non_drive: FamilyId, language: Language) -> str:
    """The name of the family, or of both.

    >>> shell_name("iso_english", "italian", Language.of("en"))
    'ISO/English on the drive side, Italian on the other'
    """
    on_drive, other = (language.say(FAMILIES[family].name) for family in (drive, non_drive))
    if drive == non_drive:
        return on_drive
    return language.say("{drive} on the drive side, {other} on the other", drive=on_drive, other=other)


def shell_designation(drive: FamilyId, non_drive: FamilyId, language: Language) -> str:
    """The thread as the trade writes it, or both.

    >>> shell_designation("iso_english", "iso_english", Language.of("en"))
    '1.370 in x 24 tpi'
    """
    return " / ".join(language.say(FAMILIES[family].designation) for family in dict.fromkeys((drive, non_drive)))
