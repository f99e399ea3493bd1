"""More invented wordings, written before drafting was run on any export that uses them.

In the order of `KINDS`. "|" parts a thing from its state; those in `SENTENCES` say themselves
where floor, stream, code and value stand. Whoever wrote them knew the drafter's words.
"""

WORDINGS: dict[str, tuple[str, ...]] = {
    "en-5": (
        "Push-button|PRESSED", "Push-button|REJECTED", "Diverter|TRAVELLING", "Diverter|IN PLACE",
        "Door lock|RELEASED", "Door lock|ENGAGED", "Door contact|OPEN", "Door contact|CLOSED",
        "Clearing timer|RUNNING", "Clearing timer|ELAPSED", "Button inhibit|ACTIVE",
        "Button inhibit|INACTIVE", "Bin sensor|FULL", "Bin sensor|CLEAR", "Service key|ON",
        "Service key|OFF", "Fault|ACTIVE", "Fault|INACTIVE", "Fault|PULSE", "Mains|PRESENT",
        "Mains|ABSENT", "Compactor|RUNNING", "Compactor|STOPPED", "Clock|ADJUSTED",
        "Bin sensor|READING", "Logbook|ENTRY", "Watchdog|TICK",
    ),
    "pt-3": (
        "Botoeira|premida", "Botoeira|pedido negado", "Defletor|a deslocar-se",
        "Defletor|posicionado", "Fechadura|aberta", "Fechadura|fechada", "Porta|aberta",
        "Porta|fechada", "Tempo de queda|início", "Tempo de queda|fim", "Botoeira|inibida",
        "Botoeira|desinibida", "Contentor|cheio", "Contentor|trocado", "Modo de serviço|ligado",
        "Modo de serviço|desligado", "Avaria|presente", "Avaria|ausente", "Avaria|registada",
        "Alimentação elétrica|presente", "Alimentação elétrica|ausente", "Prensa|a trabalhar",
        "Prensa|parada", "Relógio|corrigido", "Contentor|leitura de nível", "Diário|entrada",
        "Vigilância|sinal",
    ),
    "de-4": (
        "Anforderungstaste betätigt", "Anforderung nicht möglich", "Sortierweiche fährt an",
        "Sortierweiche in Endlage", "Zuhaltung offen", "Zuhaltung zu", "Einwurfklappe geöffnet",
        "Einwurfklappe geschlossen", "Schachtberuhigung aktiv", "Schachtberuhigung beendet",
        "Taster wegen Missbrauchs gesperrt", "Taster wieder freigegeben",
        "Sammelbehälter voll", "Sammelbehälter leer", "Handbetrieb ein", "Handbetrieb aus",
        "Meldung gekommen", "Meldung gegangen", "Meldung", "Steuerung gestartet",
        "Steuerung spannungslos", "Müllpresse läuft", "Müllpresse steht", "Systemzeit geändert",
        "Behälterfüllung", "Eintrag", "Lebensbit",
    ),
    "fr-4": (
        "Touche actionnée", "Touche refusée", "Volet de tri en course", "Volet de tri en position",
        "Serrure libre", "Serrure bloquée", "Portillon ouvert", "Portillon refermé",
        "Vidange colonne en cours", "Vidange colonne finie", "Palier interdit", "Palier autorisé",
        "Bac plein", "Bac vide", "Mode maintenance actif", "Mode maintenance inactif",
        "Alarme active", "Alarme inactive", "Alarme fugitive", "Mise sous tension",
        "Mise hors tension", "Compaction démarrée", "Compaction terminée", "Horloge modifiée",
        "Taux de remplissage", "Annotation", "Test de vie",
    ),
    "es-3": (
        "Botón pulsado", "Botón rechazado", "Compuerta girando", "Compuerta en posición",
        "Cerradura abierta", "Cerradura cerrada", "Puerta abierta", "Puerta cerrada",
        "Vaciado de columna en curso", "Vaciado de columna completo", "Planta bloqueada por abuso",
        "Planta desbloqueada", "Contenedor lleno", "Contenedor retirado", "Modo mantenimiento sí",
        "Modo mantenimiento no", "Fallo presente", "Fallo ausente", "Fallo", "Encendido",
        "Apagado", "Compactación iniciada", "Compactación finalizada", "Cambio de hora",
        "Porcentaje de llenado", "Comentario", "Vivo",
    ),
    "en-7": (
        "Call button", "Call button ignored", "Turntable start", "Turntable stop",
        "Solenoid energised", "Solenoid released", "Leaf open", "Leaf shut", "Purge timer start",
        "Purge timer stop", "Vandal lock on", "Vandal lock off", "Container at limit",
        "Container below limit", "Out of service", "Back in service", "Trip", "Trip reset",
        "Warning", "Cold start", "Brown-out", "Baler stroke out", "Baler stroke back",
        "Date and time now", "Ultrasonic", "Text", "Ping",
    ),
    "fi": (
        "Painike painettu", "Pyyntö hylätty", "Ohjain liikkuu", "Ohjain paikallaan",
        "Salpa vapautettu", "Salpa kiinni", "Luukku auki", "Luukku suljettu", "Tyhjennysaika alkoi",
        "Tyhjennysaika päättyi", "Painikkeet estetty", "Painikkeet sallittu", "Astia täynnä",
        "Astia tyhjennetty", "Huolto päällä", "Huolto pois", "Vika päällä", "Vika poistunut",
        "Vika", "Jännite palasi", "Jännite katkesi", "Puristin käy", "Puristin seis",
        "Kello asetettu", "Täyttöaste", "Huomautus", "Elossa",
    ),
}  # fmt: skip

SENTENCES: dict[str, tuple[str, ...]] = {
    "en-6": (
        "Somebody on landing {floor} asked for {stream}",
        "The wish of landing {floor} for {stream} was turned down: {code}",
        "The sorter has set off towards {stream}", "The sorter has reached {stream}",
        "Landing {floor} may now open its door", "Landing {floor} has been locked again",
        "The door on landing {floor} was opened", "The door on landing {floor} was closed",
        "Material is falling", "The shaft is free again",
        "Landing {floor} is barred for misuse", "Landing {floor} is no longer barred",
        "The {stream} bin is full", "The {stream} bin has been emptied",
        "A technician has taken over", "The technician has handed back",
        "Fault {code} has come up{on}", "Fault {code} has gone away{on}",
        "Fault {code} was seen{on}",
        "The controller has started", "The controller is going down",
        "The ram of {stream} pushes", "The ram of {stream} rests",
        "The clock was moved by {value} s", "The {stream} bin stands at {value} percent",
        "A note was made", "All is well",
    ),
}  # fmt: skip
