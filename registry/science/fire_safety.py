"""When a hot pile becomes a danger. The local fire service's word always comes first.

Limits: keep a pile below 70–80 °C, turn and wet it from 160 °F (71.1 °C); above 80 °C over a large
zone do not open it and call the fire service. Read in the public advice of a British county fire
service and of a US state's waste department (CV-064).
"""

ACT_FROM_C = 70.0
STOP_ABOVE_C = 80.0
MAX_HEIGHT_M = 6 * 0.3048  # six feet

ADVICE = {
    "normal": "No sign of overheating.",
    "normal_hot": "Hot, as a working pile is. Mind the steam when you open it.",
    "act_turn_and_wet": "Overheating: turn and wet the pile, with care for steam, and keep it low.",
    "stop_and_call_fire_service": "Dangerous: do not open the pile. Call the fire service.",
}
HOT_FROM_C = 55.0


def fire_attention(celsius: float) -> str:
    """The key of `ADVICE` for a core temperature."""
    if celsius > STOP_ABOVE_C:
        return "stop_and_call_fire_service"
    if celsius >= ACT_FROM_C:
        return "act_turn_and_wet"
    return "normal_hot" if celsius >= HOT_FROM_C else "normal"
