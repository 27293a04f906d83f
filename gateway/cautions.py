"""The cautions that are printed where they matter."""

FIRST = "The maker's instructions, local rules and licensed practice come first."
BEFORE_CLEAR = (
    "Clearing erases the memory of safety systems. Nobody works on or under the car meanwhile; "
    "restraint, high-voltage and brake systems need the maker's own procedure. " + FIRST
)
AFTER_CLEAR = "Keep the key on and the battery connected for 10 s: some units write their memory late."
