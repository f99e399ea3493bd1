"""Words of the trade in five languages, as stems: what an event's text speaks of.

English, German, French, Spanish, Portuguese; our own list, common practice, no source. Texts
are compared without accents and letter case; a stem stands for every word that begins with it,
one that ends in `$` for itself alone, one
that begins with `*` is found within compound words too. `_` joins words that stand side by side.
"""

import re
from functools import cache

from loganalyzer.stamps.months import plain

CONCEPTS: dict[str, str] = {
    "door": "door doors leaf hatch intake tur$ ture klappe luke einwurf porte$ portes "
    "trappe vantail puerta trampilla hoja porta$ portas portinhola",
    "latch": "latch bolt lock$ strike catch interlock locking riegel verriegelung schloss "
    "zuhaltung verrou$ verrous serrure loquet gache cerrojo cerradura pestillo enclavamiento "
    "trinco fechadura trava$ ferrolho",
    "button": "button btn$ buttons key$ pushbutton taste$ tasten taster knopf bouton touche "
    "boton pulsador tecla botao botoeira",
    "press": "press$ pressed push pushed request asked demand select chosen call$ called "
    "gedruckt angefordert anforderung anwahl gewahlt betatigt tastendruck appui "
    "appuye demande presse$ choix sollicit pulsado pulsada pulsacion solicit "
    "peticion presion pedido elegi premid pression acionad escolh",
    "refuse": "refused refusal denied deny reject declin ignored unheeded turned_down "
    "no_effect abgewiesen abgelehnt verweigert ignoriert ablehnung abweis refuse$ "
    "refusee refus$ rejet ignore$ rechaz denegad ignorad recusad negad rejeitad "
    "recusa",
    "diverter": "diverter sorter deflector turntable carousel gate switch weiche verteiler "
    "sortier drehteller umlenk aiguillage aiguilleur trieur deviateur repartiteur "
    "selecteur desviador clasificador distribuidor selector separador classificador",
    "moving": "mov turning turns travel leaves leaving under_way fahrt fahrt$ dreht bewegt "
    "lauft unterwegs verstellt verfahrt mouvement tourne deplace rotation bouge "
    "gira girando mueve movimiento movimento desloca rodando em_curso en_marcha "
    "en_marche",
    "arrived": "in_place in_position positioned reached arrived there rest resting at_rest "
    "standing stopped still steht erreicht angekommen in_position eingestellt "
    "am_ziel en_place en_position arrive$ arrivee atteint en_posicion llegad "
    "alcanzad colocad em_posicao chegou atingid posicionad no_lugar",
    "clearing": "clearing clearance drop_time dropping falling fall$ fall_time settling settle "
    "wait waiting shaft material fallzeit freifall nachlauf wartezeit raumzeit "
    "schacht raumung degagement chute_libre attente temporisation gaine evacuation "
    "despeje caida espera bajante vaciado_del_tubo queda$ conduta escoamento "
    "desimpedimento",
    "container": "container bin$ bins skip$ receptacle behalter tonne mulde conteneur benne bac$ "
    "contenedor cubo contentor recipiente cacamba",
    "full": "full$ filled_up voll$ vollmeldung plein$ pleine rempli$ remplie$ lleno$ llena$ "
    "cheio cheia",
    "emptied": "empti emptying empty swapped exchanged room has_room has_space geleert "
    "entleert leer$ leerung getauscht aufnahmebereit vide$ videe vidage echange "
    "remplac vaciad vacio cambiad esvaziad vazio trocad despejad",
    "level": "level fill_level percent gauge reading fullstand fullgrad pegel prozent niveau "
    "remplissage nivel llenado enchimento",
    "service": "service maintenance technician servicing wartung instandhaltung service "
    "revision entretien maintenance mantenimiento servicio manutencao servico "
    "assistencia",
    "fault": "fault alarm error failure trouble defect malfunction storung fehler alarm "
    "defekt defaut panne alarme erreur anomalie fallo averia alarma falha avaria "
    "erro$",
    "power": "power mains supply voltage restart boot electricity program_start strom netz "
    "spannung versorgung neustart courant secteur alimentation reseau tension "
    "corriente alimentacion red$ suministro energia corrente alimentacao rede$ "
    "tensao",
    "compactor": "compact ram$ crusher presse$ pressvorgang pressung verdicht stempel pressage "
    "verin compacteur prensa piston compactador embolo pistao",
    "clock": "clock time_set time_adjusted time_corrected uhr$ uhrzeit zeitkorrektur horloge "
    "heure_reglee mise_a_l_heure reloj hora_ajustada relogio hora_acertada",
    "lockout": "lockout lock_out locked_out blocked barred suspended abuse disabled penal "
    "cooling gesperrt sperre sperrung missbrauch zwangspause blocage bloque$ "
    "bloquee abus suspendu neutralis bloqueo bloquead abuso suspend inhibi bloqueio "
    "suspens inibid",
    "alive": "heartbeat alive sign_of_life hourly watchdog lebenszeichen stundenmeldung "
    "signe_de_vie battement vivant senal_de_vida latido sinal_de_vida batimento",
    "note": "note$ remark memo comment entry$ notiz vermerk bemerkung remarque observation "
    "nota$ observacion comentario observacao",
    "open": "open opened opens opening offen geoffnet auf$ offnet ouvert ouverte ouverture "
    "abierta abierto apertura abre aberta aberto abertura",
    "close": "closed close$ closes shut closing geschlossen zu$ schliesst ferme$ fermee "
    "fermeture cerrada cerrado cierre fechada fechado fecho",
    "unlock": "unlock unlocked released release$ entriegelt freigegeben entsperrt freigabe "
    "deverrouill libere$ liberee liberation debloqu desbloque liberad desenclav "
    "destranc destravad drawn retracted zuruckgezogen retire withdrawn",
    "lock": "locked engaged relocked secured verriegelt eingerastet verrouille enclench "
    "enclavad asegurad echado trancad travad engatad",
    "start": "start begin begins beginn on$ came raised active activated entered commence$ "
    "running begonnen gestartet ein$ kommt gekommen ausgelost beginnt debut demarr "
    "active$ apparu activee inicio inicia comienza activad aparece iniciad surgiu "
    "ativad comec incoming ligad encendid restored back$ da$ wieder retabli "
    "restablecid reposta vor$ in$ anfang",
    "end": "end$ ends ended finish off$ over$ done$ gone went cleared clear$ free$ reset "
    "complete lifted left$ stop ende$ beendet aus$ geht$ gegangen frei$ vorbei "
    "abgelaufen behoben aufgehoben quittiert fertig fin$ finie termin acheve leve$ "
    "levee disparu libre$ libres$ efface acquitte fini$ final finaliza concluid "
    "resuelt resolvid anulad cancelad livre$ livres$ fim$ lost *ausfall weg$ "
    "verloren coupe$ coupure perdu cortad corte$ perdid zuruck$ retour vuelta "
    "inactiv inactif inactiv desligad apagad removed beseitigt desaparece levantad passou",
    "not": "not$ no$ nicht$ kein keine pas$ non$ sans$ sin$ nao$ sem$ without",
    "busy": "busy in_use occupied taken belegt besetzt occupe$ occupee ocupad en_uso em_uso",
}  # fmt: skip

# What a fault is about; the particular before the general, so that a door's contact is a contact.
COMPONENTS: dict[str, str] = {
    "fire": "fire smoke heat sprinkler brand feuer rauch hitze incendie feu$ fumee incendio "
    "fuego humo fogo fumo damper brandschutz",
    "wiring": "wir cable loop$ short_circuit open_circuit earth kabel leitung drahtbruch "
    "kurzschluss erdschluss cablage fil$ court_circuit cableado hilo cortocircuito "
    "cabo fio$ curto terminal klemm",
    "contact": "contact switch sensor reed limit_switch proximity feedback kontakt schalter "
    "*kontakt *schalter fuhler geber ruckmeld capteur interrupteur fin_de_course contacto "
    "interruptor final_de_carrera detector contato fim_de_curso detetor",
    "latch": "latch bolt lock$ strike interlock solenoid riegel verriegelung schloss zuhaltung "
    "verrou serrure gache cerrojo cerradura pestillo enclavamiento trinco fechadura",
    "sorter": "sorter diverter deflector turntable flap positioning weiche verteiler drehteller "
    "umlenk trieur aiguillage deviateur selecteur clasificador desviador compuerta "
    "selector separador defletor classificador",
    "compactor": "compact ram$ press$ presse hydraul baler verdicht stempel pressage verin "
    "prensa piston embolo pistao",
    "container": "container bin$ bins receptacle level full$ behalter tonne fullstand conteneur "
    "benne bac$ contenedor contentor cacamba recipiente",
    "power": "power supply voltage mains battery fuse undervoltage netz strom spannung akku "
    "batterie sicherung alimentation secteur tension fusible alimentacion "
    "corriente bateria fusivel alimentacao energia tensao",
    "control": "control plc controller memory watchdog communication bus$ program cpu eeprom "
    "steuerung speicher kommunikation programm automate communication memoire "
    "automata comunicacion comunicacao memoria programa",
    "door": "door leaf hatch intake tur$ turen *tur klappe luke porte$ portes trappe vantail "
    "puerta trampilla porta$ portas portinhola",
}  # fmt: skip

STREAMS: dict[str, str] = {
    "refuse": "refuse$ waste trash rubbish garbage general residual landfill restmull mull$ "
    "hausmull abfall ordures dechets residuel basura restos resto$ residuos lixo "
    "indiferenciado rsu$ refuse$ omr$",
    "recycling": "recycl dry packaging wertstoff verpackung recyclage emballage tri$ reciclaje "
    "envases reciclagem embalagens reciclav papier paper carton",
    "organics": "organic food compost bio kitchen kuchenabf organique biodechet organico "
    "organica compost green",
    "linen": "linen laundry sheets wasche linge$ lenceria ropa lavanderia roupa",
}  # fmt: skip

GROUND = (
    "g$ gf$ eg$ rdc$ rc$ r/c$ pb$ 0$ 00$ 000$ gnd$ ground lobby erdgeschoss rez parter bajo$ terreo"
)
HEADERS: dict[str, str] = {
    "floor": "door floor level etage stock geschoss tur$ porte planta piso puerta porta "
    "andar niveau landing place$ at$ station",
    "stream": "stream material fraction fraktion stoff flux matiere fraccion residuo flujo "
    "fracao fluxo sort$ kind$",
    "value": "value figure amount wert valeur valor reading num$",
    "code": "code reason detail cause grund motif raison motivo causa why",
    "order": "seq n$ no$ nr$ num$ number counter lfd index id$ rec",
    "chute": "chute unit$ controller anlage schacht gaine tolva conduta unidad unidade "
    "device",
}  # fmt: skip


# "on landing 3" is no state.
PLACED = re.compile(r"\bon(?= (?:the )?(?:landing|floor|level|storey|door)s?\b)", re.IGNORECASE)


def words_of(text: str) -> str:
    """The words of a text, joined and bounded by `_`; words run together are taken apart."""
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    apart = PLACED.sub("at", apart)
    return "_" + "_".join(re.findall(r"[^\W\d_]+", plain(apart))) + "_"


@cache
def stems(words: str) -> re.Pattern[str]:
    """What finds one of the stems in the result of `words_of`."""
    parts = [
        f"{re.escape(word[:-1])}_" if word.endswith("$") else re.escape(word)
        for word in words.replace("*", "").split()
    ]
    within = [re.escape(word[1:]) for word in words.split() if word.startswith("*")]
    if within:
        return re.compile(f"_(?:{'|'.join(parts)})|{'|'.join(within)}")
    return re.compile(f"_(?:{'|'.join(parts)})")


def concepts(text: str) -> frozenset[str]:
    """What a text speaks of: keys of CONCEPTS."""
    joined = words_of(text)
    return frozenset(name for name, words in CONCEPTS.items() if stems(words).search(joined))


def speaks_of(text: str, words: str) -> bool:
    """Whether one of the stems is in the text."""
    return bool(stems(words).search(words_of(text)))
