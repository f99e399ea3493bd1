"""What invented controllers say, in five languages: a text for each kind of event.

Written for tests of drafting and shared with nothing. In the order of `KINDS`; "|" in a set of
labels parts refuse, recycling, organics.
"""

KINDS = (
    "press mark", "refusal mark", "positioning on", "positioning off", "unlocked on",
    "unlocked off", "open on", "open off", "clearing on", "clearing off", "lockout on",
    "lockout off", "full on", "full off", "service on", "service off", "fault on", "fault off",
    "fault mark", "power on", "power off", "compacting on", "compacting off", "clock mark",
    "level mark", "note mark", "alive mark",
)  # fmt: skip

WORDINGS: dict[str, tuple[str, ...]] = {
    "en-1": (
        "Button pressed", "Request denied", "Diverter moving", "Diverter in position",
        "Door unlocked", "Door locked", "Door opened", "Door closed", "Clearing started",
        "Clearing finished", "Lockout started", "Lockout ended", "Container full",
        "Container emptied", "Service mode on", "Service mode off", "Alarm raised",
        "Alarm cleared", "Alarm noted", "Power restored", "Power lost", "Compactor started",
        "Compactor stopped", "Clock set", "Fill level", "Remark", "Heartbeat",
    ),
    "en-2": (
        "user request", "request rejected", "sorter turning", "sorter reached", "latch released",
        "latch engaged", "hatch open", "hatch shut", "waiting for material", "shaft free",
        "door blocked after misuse", "door no longer blocked", "bin is full", "bin swapped",
        "maintenance begins", "maintenance over", "fault begins", "fault gone", "fault",
        "supply on", "supply off", "ram running", "ram home", "time adjusted", "bin level",
        "operator comment", "still alive",
    ),
    "en-3": (
        "STREAM SELECTED", "SELECTION IGNORED", "SORTER START", "SORTER AT TARGET", "BOLT OPEN",
        "BOLT SHUT", "DOOR OPEN", "DOOR CLOSE", "DROP TIME BEGIN", "DROP TIME END",
        "BUTTONS DISABLED", "BUTTONS ENABLED", "FULL", "NOT FULL", "SERVICE KEY ON",
        "SERVICE KEY OFF", "ERROR SET", "ERROR RESET", "ERROR", "BOOT", "SHUTDOWN", "COMPACT ON",
        "COMPACT OFF", "CLOCK CORRECTION", "LEVEL", "MEMO", "ALIVE",
    ),
    "de-1": (
        "Taster betätigt", "Anforderung abgelehnt", "Weiche in Bewegung", "Weiche in Position",
        "Tür entriegelt", "Tür verriegelt", "Tür geöffnet", "Tür geschlossen",
        "Nachlaufzeit gestartet", "Nachlaufzeit beendet", "Sperre wegen Missbrauch ein",
        "Sperre aufgehoben", "Behälter voll", "Behälter geleert", "Wartung begonnen",
        "Wartung beendet", "Störung aufgetreten", "Störung behoben", "Störungshinweis",
        "Netz wiedergekehrt", "Netzausfall", "Verdichter gestartet", "Verdichter gestoppt",
        "Uhrzeit korrigiert", "Füllstand", "Bemerkung", "Lebenszeichen",
    ),
    "de-2": (
        "Anwahl", "Anwahl verweigert", "Verteiler fährt", "Verteiler Ziel erreicht",
        "Riegel freigegeben", "Riegel eingerastet", "Klappe auf", "Klappe zu",
        "Fallzeit läuft", "Fallzeit abgelaufen", "Einwurf gesperrt", "Einwurf freigegeben",
        "Container Vollmeldung", "Container wieder frei", "Revision Ein", "Revision Aus",
        "Fehler kommt", "Fehler geht", "Fehler", "Spannung ein", "Spannung aus", "Presse ein",
        "Presse aus", "Uhr gestellt", "Pegel Container", "Notiz", "Stundenmeldung",
    ),
    "fr-1": (
        "Bouton appuyé", "Demande refusée", "Aiguillage en mouvement", "Aiguillage en place",
        "Porte déverrouillée", "Porte verrouillée", "Porte ouverte", "Porte fermée",
        "Dégagement commencé", "Dégagement terminé", "Blocage pour abus activé",
        "Blocage pour abus levé", "Conteneur plein", "Conteneur vidé", "Entretien commencé",
        "Entretien terminé", "Défaut apparu", "Défaut disparu", "Défaut signalé",
        "Tension rétablie", "Tension perdue", "Compacteur en marche", "Compacteur arrêté",
        "Heure réglée", "Niveau de remplissage", "Remarque", "Signe de vie",
    ),
    "fr-2": (
        "APPUI TOUCHE", "TOUCHE SANS EFFET", "TRIEUR ROTATION", "TRIEUR ARRIVE", "VERROU OUVERT",
        "VERROU FERME", "TRAPPE OUVERTE", "TRAPPE FERMEE", "ATTENTE CHUTE DEBUT",
        "ATTENTE CHUTE FIN", "ETAGE SUSPENDU", "ETAGE RETABLI", "BENNE PLEINE", "BENNE ECHANGEE",
        "MAINTENANCE DEBUT", "MAINTENANCE FIN", "PANNE DEBUT", "PANNE FIN", "PANNE",
        "RETOUR SECTEUR", "COUPURE SECTEUR", "PRESSAGE DEBUT", "PRESSAGE FIN", "HORLOGE RECALEE",
        "NIVEAU BENNE", "NOTE", "PRESENT",
    ),
    "es-1": (
        "Pulsador accionado", "Solicitud rechazada", "Desviador en movimiento",
        "Desviador en posición", "Puerta desbloqueada", "Puerta bloqueada", "Puerta abierta",
        "Puerta cerrada", "Espera de caída iniciada", "Espera de caída terminada",
        "Bloqueo por abuso activado", "Bloqueo por abuso levantado", "Contenedor lleno",
        "Contenedor vaciado", "Mantenimiento iniciado", "Mantenimiento terminado",
        "Alarma activada", "Alarma resuelta", "Alarma anotada", "Tensión restablecida",
        "Tensión perdida", "Compactador en marcha", "Compactador parado", "Reloj ajustado",
        "Nivel de llenado", "Observación", "Señal de vida",
    ),
    "es-2": (
        "PETICION", "PETICION DENEGADA", "CLASIFICADOR GIRANDO", "CLASIFICADOR EN DESTINO",
        "CERROJO LIBERADO", "CERROJO ECHADO", "TRAMPILLA ABIERTA", "TRAMPILLA CERRADA",
        "TIEMPO DE CAIDA INICIO", "TIEMPO DE CAIDA FIN", "PULSADORES INHIBIDOS",
        "PULSADORES LIBRES", "CUBO LLENO", "CUBO CAMBIADO", "SERVICIO INICIO", "SERVICIO FIN",
        "AVERIA INICIO", "AVERIA FIN", "AVERIA", "ARRANQUE", "CORTE DE CORRIENTE",
        "PRENSA INICIO", "PRENSA FIN", "HORA CORREGIDA", "NIVEL CUBO", "NOTA", "LATIDO",
    ),
    "pt-1": (
        "Botão premido", "Pedido recusado", "Desviador em movimento", "Desviador em posição",
        "Porta destrancada", "Porta trancada", "Porta aberta", "Porta fechada",
        "Espera da queda iniciada", "Espera da queda concluída", "Bloqueio por abuso ativado",
        "Bloqueio por abuso levantado", "Contentor cheio", "Contentor esvaziado",
        "Manutenção iniciada", "Manutenção concluída", "Alarme ativado", "Alarme resolvido",
        "Alarme anotado", "Energia reposta", "Energia perdida", "Compactador ligado",
        "Compactador desligado", "Relógio acertado", "Nível de enchimento", "Observação",
        "Sinal de vida",
    ),
    "pt-2": (
        "BOTAO ACIONADO", "BOTAO SEM EFEITO", "SEPARADOR RODANDO", "SEPARADOR NO DESTINO",
        "TRINCO LIBERTADO", "TRINCO FECHADO", "PORTINHOLA ABERTA", "PORTINHOLA FECHADA",
        "ESCOAMENTO INICIO", "ESCOAMENTO FIM", "PISO SUSPENSO", "PISO REATIVADO",
        "CACAMBA CHEIA", "CACAMBA TROCADA", "ASSISTENCIA INICIO", "ASSISTENCIA FIM",
        "FALHA INICIO", "FALHA FIM", "FALHA", "REDE LIGADA", "REDE DESLIGADA", "PRENSA AVANCO",
        "PRENSA RECUO", "HORA ACERTADA", "NIVEL CACAMBA", "NOTA", "BATIMENTO",
    ),
    "en-4": (
        "Call from landing", "Call not accepted", "Flap travelling", "Flap in place",
        "Interlock free", "Interlock set", "Intake door opened", "Intake door closed",
        "Settling time running", "Settling time over", "Landing locked out",
        "Landing lockout released", "Receptacle full", "Receptacle has room", "Works start",
        "Works end", "Malfunction active", "Malfunction inactive", "Malfunction", "Mains back",
        "Mains failure", "Press cycle start", "Press cycle end", "New time set",
        "Receptacle gauge", "Log entry", "Keep-alive",
    ),
    "de-3": (
        "Ruftaste", "Ruftaste nicht angenommen", "Umlenkklappe dreht", "Umlenkklappe steht",
        "Türriegel zurückgezogen", "Türriegel vorgeschoben", "Einwurftür offen",
        "Einwurftür geschlossen", "Wartezeit Schacht beginnt", "Wartezeit Schacht zu Ende",
        "Etage wegen Dauerdrücken blockiert", "Etage wieder nutzbar", "Tonne voll",
        "Tonne gewechselt", "Instandhaltung Start", "Instandhaltung Ende", "Alarm gesetzt",
        "Alarm gelöscht", "Alarm", "Versorgung wieder da", "Versorgung weg", "Pressvorgang Beginn",
        "Pressvorgang Ende", "Zeit gestellt", "Füllgrad Tonne", "Hinweis", "Ich lebe",
    ),
    "fr-3": (
        "Appel palier", "Appel ignoré", "Sélecteur se déplace", "Sélecteur positionné",
        "Gâche libérée", "Gâche enclenchée", "Vantail ouvert", "Vantail fermé",
        "Temporisation de chute", "Fin de temporisation", "Palier neutralisé",
        "Palier de nouveau actif", "Bac rempli", "Bac remplacé", "Technicien présent",
        "Technicien parti", "Anomalie détectée", "Anomalie corrigée", "Anomalie",
        "Alimentation présente", "Alimentation absente", "Vérin sorti", "Vérin rentré",
        "Mise à l'heure", "Jauge du bac", "Commentaire", "Battement de coeur",
    ),
}  # fmt: skip

STREAMS = {
    "en": "Refuse|Recycling|Organics", "en-b": "Trash|Dry mixed|Food",
    "de": "Restmüll|Wertstoffe|Bio",
    "fr": "Ordures|Emballages|Biodéchets", "es": "Resto|Envases|Orgánico",
    "pt": "Indiferenciado|Embalagens|Orgânicos", "codes": "S1|S2|S3", "digits": "01|02|03",
}  # fmt: skip
# busy, full, service, lockout, fault; then ten faults.
CODES = {
    "en": "in use|container full|maintenance|blocked|fault",
    "de": "belegt|voll|Wartung|gesperrt|Störung",
    "fr": "occupé|plein|entretien|bloqué|défaut",
    "es": "ocupado|lleno|mantenimiento|bloqueado|avería",
    "pt": "ocupado|cheio|manutenção|bloqueado|avaria", "codes": "R1|R2|R3|R4|R5",
}  # fmt: skip
COLUMNS = {
    "en": "time|door|material|event|reason|value", "de": "Zeit|Etage|Fraktion|Meldung|Grund|Wert",
    "fr": "Horodatage|Étage|Matière|Événement|Motif|Valeur",
    "es": "Hora|Planta|Fracción|Suceso|Motivo|Valor",
    "pt": "Hora|Piso|Fração|Ocorrência|Motivo|Valor", "codes": "t|p|q|m|r|v",
}  # fmt: skip
