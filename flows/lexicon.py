"""A text in few plain words: one word for all the words of both languages that mean the same for a dose.

"40 cc en cada muslo" and "forty mls, each thigh" become " | 40 ML en EACH thigh | " and " | 40w ML , EACH thigh | ", so that what
reads a dose is written once. Capitals are our own words, small letters the patient's; "thighS" are more than one. Numbers are digits; a trailing
"w" tells that they were written as words. "|" ends a sentence, "," a part of one.
"""

import re
from typing import NamedTuple

from flows.text import norm

AREAS = {
    "belly": "belly tummy stomach abdomen abdominal abdo abd abs tum gut barriga panza abdomen vientre estomago tripa pancita barriguita "
             "panzita guata guatita bellies",
    "thigh": "thigh thighs leg legs muslo muslos pierna piernas piernita piernitas pernil",
    "arm": "arm arms tricep triceps brazo brazos bracito bracitos braso brasos",
    "hip": "hip hips cadera caderas",
    "flank": "flank flanks flanco flancos costado costados rollito rollitos rollo rollos lonja lonjas llantita llantitas michelin michelines "
             "lonjita lonjitas",
    "back": "espalda",
    "buttock": "buttock buttocks butt bum bottom backside rear nalga nalgas gluteo gluteos pompis pompi pompa pompas trasero cachete cachetes",
}
SINGLE = {"abs", "triceps", "pompis", "pancitas", "michelines_"}  # end in "s" and are one all the same
AREA_OF = {word: area + "S" * (word.endswith("s") and word not in SINGLE) for area, words in AREAS.items() for word in words.split()}
SIDE_OF = {word: side for side, words in {
    "left": "left lt lft izquierdo izquierda izquierdos izquierdas izq izqda izqdo izda",
    "right": "right rt rght derecho derecha derechos derechas der dcha dcho dch drcha",
}.items() for word in words.split()}
LEVEL_OF = {word: level for level, words in {
    "upper": "upper superior alta alto uq", "lower": "lower low inferior baja bajo lq",
    "inner": "inner interno interna interior", "outer": "outer externo externa exterior",
}.items() for word in words.split()}

# Our word for every phrase. A phrase that starts or ends with * is the same with any ending.
PLAIN = {
    "ML": "ml mls mil mils mill mills cc ccs mlls milliliter milliliters millilitre millilitres milileters mililitro mililitros milimetros_cubicos",
    "H": "h hr hrs hour hours hora horas horita horitas hrs",
    "MIN": "min mins minute minutes minuto minutos minuts minutitos",
    "SEC": "sec secs second_s seconds segundos",
    "AM": "antemeridiem a_m this_am in_the_morning this_morning de_la_manana esta_manana en_la_manana por_la_manana de_la_madrugada de_madrugada",
    "PM": "postmeridiem p_m this_pm in_the_evening in_the_afternoon at_night this_afternoon this_evening tonight de_la_tarde de_la_noche esta_tarde esta_noche "
          "por_la_tarde por_la_noche en_la_noche en_la_tarde yesterday_afternoon yesterday_evening",
    "NIGHT": "last_night anoche ayer_en_la_noche ayer_por_la_noche",
    "EACH": "each ea a_pop c_/_u apiece a_piece per cada_uno cada_una cada each_one c_u cu en_cada_uno en_cada_una eash",
    "EACH side": "a_side per_side por_lado each_side cada_lado c_/_lado",
    "EACH SITE": "a_site per_site por_sitio por_zona por_punto each_site per_spot per_needle each_spot a_spot cada_piquete por_piquete "
                 "cada_sitio cada_punto cada_zona cada_lugar each_needle por_aguja cada_aguja each_place per_place por_lugar",
    "EACH thigh": "a_leg a_thigh per_leg per_thigh por_pierna por_muslo",
    "PERH": "per_hour per_hr por_hora ml_h_r x_hora per_h each_hour cada_hora",
    "VIAL": "vial vials bottle bottles syringe syringes frasco frascos jeringa jeringas viales ampolla ampollas ampula ampulas botella "
            "botellas frasquito frasquitos jeringuilla jeringuillas botellita botellitas vail vails vile viles",
    "SITE": "site sites spot spots sitio sitios lugar lugares zona zonas punto puntos cites infusion_sites infusion_site locations places",
    "NEEDLE": "needle needles aguja agujas stick sticks poke pokes piquete piquetes pinchazo pinchazos agujitas",
    "BOTH": "both ambos ambas los_dos las_dos the_two bothh boths",
    "CORR": "no_wait wait_no oh_wait wait i_mean scratch_that make_that correction no_sorry sorry_no sorry oops actually i_meant meant_to_say "
            "no_espera espera no_perdon perdon digo mejor_dicho corrijo correccion me_equivoque miento my_bad whoops make_it no_no i_meant_to_say "
            "quise_decir quiero_decir disculpa ay_no wait_sorry sorry_i_mean sorry_i_meant no_actually actually_no espere no_espere no_mentira "
            "sorry_meant rectifico mentira i_take_that_back check_that no_it_was strike_that ups perdon_no sorry_its "
            "no_digo meant no_,",
    "STARTING": "starting begin starts empiezo comienzo empezando beginning",
    "START": "start started began begun kicked_off hooked_up plugged_in turned_on pump_on needles_in needle_in on_at in_at went_in_at infused_at infusion_at al_empezar "
             "empece empeze empezo empezamos empeso empese comence comenze comenzo comenzamos inicie inicio iniciamos empezar arranque arrancamos "
             "arranco strted startd strt comence_a iniciado prendi prendimos conecte got_going got_started "
             "empezado empeze hooked_myself_up connected stated me_conecte puse_la_bomba stared pump_started puse_a_correr",
    "END": "end ended ending finish finished finishing finnished finsh finshed done stop stopped wrapped_up took_out needles_out needle_out pump_off "
           "disconnected unhooked completed out_at off_at off_by came_out_at came_off_at took_it_out_at was_in_at was_all_in_at al_acabar al_terminar pulled termine termino terminamos terminado acabe acabo acabamos acabado fin listo lista "
           "termina complete completed finalice finalizo desconecte quite pare paro saque finished_up ended_up all_done got_done stoped "
           "finish_up was_over concluyo conclui termine_de ends through_at pulled_needles me_desconecte pump_stopped unhooked_at ya_termine "
           "ya_acabe terminé fnished finised over_at quitamos sacamos taken_out empty_at dry_at me_quite finalizamos apague",
    "TOOK": "took taken lasted ran tardo tarde duro demoro demore tardamos tardaron total_time time_was time_is time_: de_tiempo duration duracion tiempo takes taking run_time "
            "demoraron fueron_en start_to_finish from_start_to_finish took_me lasting me_tarde me_tardo took_us duramos tomo me_tomo "
            "infused_over ran_over in_over went_for ran_for se_tardo se_demoro me_duro toook se_llevo me_llevo paso_en pasaron_en run "
            "infused_for infusing_for took_a_total_of went_in_over infusion_time",
    "AGO": "ago hace earlier hace_como hace_unos hace_unas hace_apenas",
    "AND": "and y e plus & + n nd",
    "OF": "of de del out_of outta outof",
    "TO": "to til till until thru through - hasta al untill tto",
    "ABOUT": "give_or_take bout about around approx approximately like ~ roughly como unos unas aprox aproximadamente mas_o_menos alrededor_de eso_de a_eso_de "
             "cerca_de tipo some probably pretty_much prob abt circa right_at right_about right_around exactly exacto exactos exactas exacta",
    "AT": "at @ a_las a_la las by sobre_las a_los desde_las",
    "FROM": "from desde between entre frm",
    "HEDGE": "just_under just_over a_little_over a_little_under a_bit_over a_bit_under almost nearly more_than less_than at_least casi "
             "poco_mas_de poco_menos_de un_poco_mas_de un_poco_menos_de mas_de menos_de shy_of not_quite barely going_on little_over little_under "
             "slightly_over slightly_under close_to cerca_de_las a_little_after a_bit_after a_little_before a_bit_before just_after just_before "
             "shortly_after shortly_before sometime_after sometime_before a_little_past un_poco_despues_de un_poco_antes_de poco_despues_de "
             "poco_antes_de antes_de despues_de somewhere_around somewhere_between sometime_around a_hair_under a_hair_over well_over upwards_of "
             "up_to a_tad_over a_tad_under just_shy_of casi_casi pasaditas sometime un_poquito_mas_de un_poquito_menos_de pasadito_de "
             "a_little_more_than a_little_less_than a_bit_more_than a_bit_less_than a_smidge_over like_maybe and_change y_pico y_cacho y_tantos y_feria y_piquito y_fraccion or_less or_more "
             "y_algo and_some and_something",
    "OR": "or o u quizas quiza tal_vez a_lo_mejor maybe perhaps possibly or_maybe o_quizas o_quiza o_tal_vez or_was_it",
    "UNSURE": "not_sure idk no_se i_dont_know dont_know unsure no_estoy_segura no_estoy_seguro cant_remember dont_remember no_recuerdo "
              "no_me_acuerdo i_guess hard_to_say hard_to_tell not_certain forgot_if couldnt_tell cant_tell no_clue who_knows no_sabria im_guessing "
              "not_positive no_stoy_segura",
    "COUPLE": "couple couple_of par_de un_par_de few",
    "LEFTOVER": "left_over leftover left_me_with left_with left_in still_in remaining remained remain remains quedaron sobraron sobro quedan quedo quedo_sin sobrando "
                "restantes sobrante sin_pasar didnt_go_in didnt_go didnt_make_it didnt_get_in wouldnt_go_in never_went_in not_in short no_entro "
                "no_entraron no_paso no_pasaron no_me_entraron left_behind stayed_in stuck_in se_quedaron se_quedo were_left was_left "
                "is_left are_left me_quedaron me_sobraron faltaron falto faltan falta me_faltaron me_faltan wouldnt_go left_at_the_end did_not_go_in left_unused "
                "wasnt_used unused quedaban no_quiso_entrar still_left didnt_infuse not_infused didnt_fit",
    "LOST": "lost leaked leaking leak spilled spilt wasted leaked_out dripped dripped_out se_perdieron se_perdio perdi se_salieron se_salio "
            "se_tiraron se_tiro se_derramo se_derramaron se_fugaron se_fugo tire derrame goteo gotearon se_me_salio se_me_salieron came_out "
            "came_back_out threw_out tossed se_escurrieron se_escurrio escurrieron discarded chorreo se_chorreo primed threw_away",
    "ALLBUT": "all_but everything_but all_except todo_menos todo_excepto except_for except excepto minus menos everything_except",
    "TOTAL": "total totals in_all altogether all_together en_total all_told en_todo sumando combined total_volume volumen_total total_of un_total_de "
             "a_total_of overall tot",
    "SAME": "same_as same_place same_places same_spot same_spots same_sites same_site lo_mismo_de mismos_sitios mismo_sitio mismos_lugares "
            "mismo_lugar los_mismos_de same_ol same_old usual_spots usual_sites usual_places the_usual regular_spots usual_spot donde_siempre "
            "lo_de_siempre los_de_siempre mismo_lado same_locations sitios_de_siempre usual_place where_i_always where_i_usually",
    "OTHERTIME": "last_time last_week next_time next_week last_infusion last_dose yesterday_s tomorrow la_proxima proxima_vez la_vez_pasada "
                 "la_semana_pasada semana_pasada vez_pasada antes_usaba used_to next_one next_infusion next_dose proxima manana "
                 "last_month el_mes_pasado two_weeks_ago the_other_day el_otro_dia la_otra_semana usually normally normalmente i_should "
                 "siempre_me should_have last_one la_pasada la_anterior ultima_vez otra_vez_pasada last_couple "
                 "supposed_to instead_of en_vez_de en_lugar_de rather_than ya_no not_my not_the avoid avoiding avoided skipped no_more before_it "
                 "not_in_my not_in_the no_en_la no_en_el no_use en_el_lugar_de tired_of didnt_use not_use resting giving_a_break",
    "ASKS": "should_i can_i could_i do_i can_we should_we could_we debo puedo podemos podria se_puede is_it_ok is_it_okay ok_if is_it_alright",
    "ORDERED": "ordered prescribed supposed_to_be should_have_been supposed_to_get should_be recetados recetado receta_dice deberian_ser my_dose_is "
               "mi_dosis_es la_dosis_es usual_dose dose_is_usually indicados orden_de order_of normally_get usually_get prescription_is instead_of_the "
               "en_vez_de_los en_lugar_de_los me_tocan me_toca i_get supposed_to_do order_is should_get normally_do usually_do",
    "WILL": "will gonna going_to should voy_a va_a vamos_a deberia ill plan_to planning need_to want_to have_to tengo_que quiero must wont "
            "about_to expect debe if i_will we_will tendria it_ll would",
    "SORE": "sore hurts hurt hurting pain painful ache aches aching ached itchy itch itches itching red redness swollen swelling swelled bruise "
            "bruised bruising lump lumps lumpy bump bumps rash burning burns burned duele duelen dolio dolor pica pican picazon roja rojo rojos "
            "rojas hinchado hinchada hincho hinchazon moreton moretones bolita bolas ardor arde ardio welt welts tender stiff puffy numb "
            "cramp cramps molesta molesto adolorido adolorida comezon colorada colorado inflamada inflamado inflamo tingly crampy upset "
            "nausea fell sunburn surgery broke wart cyst headache roncha ronchas irritada irritado enrojecida enrojecido marca mark "
            "stung stings stinging warm hot hard heavy weak itched welted",
    "ALL": "all everything todo toda todito todita todos",
    "WHOLE": "whole_dose full_dose whole_thing full_thing entire_dose entire_thing full_amount whole_amount all_of_it every_drop dosis_completa dosis_entera "
             "toda_la_dosis la_dosis_completa it_all todo_completo todo_entro todo_paso entro_todo paso_todo se_fue_todo se_paso_todo "
             "todo_el_frasco todos_los_frascos all_the_medicine all_my_medicine all_the_meds all_my_meds all_went_in all_in complete_dose "
             "dosis_entera toda_la_medicina todo_el_medicamento toda_la_medicacion whole_lot whole_bag whole_syringe entire_amount everything_went_in "
             "everything_in got_everything completa completita enterita la_dosis_entera entro_completa entro_completo paso_completa me_la_puse_toda "
             "me_la_puse_completa me_puse_todo se_metio_todo todo_adentro entera las_dos_jeringas_completas every_last_drop to_the_last_drop all_the_dose all_of_the_dose "
             "all_of_my_dose all_of_the_medicine complete_amount se_fue_completa todo_lo_que_tocaba full_volume entire_volume whole_volume "
             "whole_batch toda_entro entro_toda paso_toda se_paso_toda se_fue_toda metimos_todo me_puse_toda toda_adentro all_gone_in "
             "entire_syringe whole_vial it_all_went_in all_went got_all_of_it got_it_all finished_it_all se_acabo_todo completito "
             "the_lot complete_dosage full_dosage entire_dosage",
    "PARTLY": "a_third third_of_it two_thirds un_tercio most almost_all nearly_all half_of_it half_the_dose la_mitad la_mayor_parte casi_todo casi_toda not_all no_todo no_toda "
              "mostly partial most_of_it about_half some_of_it not_quite_all except_a_little but_a_little all_but_a_little not_the_whole "
              "not_the_full no_entro_todo no_paso_todo no_se_paso_todo not_everything no_entro_toda parcial only_half nomas_la_mitad "
              "solo_la_mitad not_it_all didnt_get_it_all didnt_get_all couldnt_finish no_completa bit_left little_left drop_left less_than_half more_than_half",
    "ONLY": "only just solo solamente nomas stopped_early quit nada_mas apenas partway gave_up",
    "LOT": "lot lots lote lotes batch batches lote_numero lot_number lot_numbers lot_no lot_nos numero_de_lote num_de_lote lotnum lotnumber lot_num "
           "batch_number lott",
    "NAVEL": "belly_button bellybutton ombligo navel",
    "flank": "love_handle lovehandle spare_tire muffin_top",
    "flankS": "love_handles lovehandles cartucheras",
    "upper": "parte_de_arriba_de parte_de_arriba parte_alta_de parte_alta",
    "lower": "parte_de_abajo_de parte_de_abajo parte_baja_de parte_baja",
    "inner": "por_dentro parte_de_adentro parte_interna por_adentro inside_of inside_my",
    "outer": "por_fuera parte_de_afuera parte_externa por_afuera outside_of",
    "noon": "medio_dia", "midnight": "media_noche",
    "back": "my_back the_back his_back her_back", "lower back": "lower_back", "upper back": "upper_back", "left back": "left_back",
    "right back": "right_back",
    "": "back belly_ache stomach_ache tummy_ache stomachache bellyache all_right alright right_away right_now right_after right_before right_then ok "
        "we_left just_left i_left left_work left_home left_the_house leave_left right_on derechito in_arms_reach arms_length butt_load back_of "
        "parte_de_atras_de parte_trasera_de no_se_ve no_se_lee no_se_alcanza no_se_como_se no_se_preocupe parte_de_atras parte_trasera or_so o_algo_asi o_algo or_something or_thereabouts o_por_ahi mas_o_menos_asi good_one atras_de got_back went_back come_back my_back_up all_good all_set all_well all_fine all_clear all_day "
        "todo_bien todo_listo todo_salio todo_perfecto todo_tranquilo todo_normal todo_en_orden at_all of_all first_of_all all_over thats_all",
}
NUMBERS = {word: value for value, words in enumerate(
    "zero|one|two dos|three tres|four cuatro|five cinco|six seis|seven siete|eight ocho|nine nueve|ten diez|eleven|twelve doce|thirteen trece|"
    "fourteen catorce|fifteen quince|sixteen dieciseis|seventeen diecisiete|eighteen dieciocho|nineteen diecinueve|twenty veinte|veintiuno "
    "veintiun|veintidos|veintitres|veinticuatro|veinticinco|veintiseis|veintisiete|veintiocho|veintinueve|thirty treinta".split("|")) for word in words.split()}
NUMBERS |= {"forty": 40, "fourty": 40, "cuarenta": 40, "fifty": 50, "cincuenta": 50, "sixty": 60, "sesenta": 60, "seventy": 70, "setenta": 70,
            "eighty": 80, "ochenta": 80, "ninety": 90, "noventa": 90, "cien": 100, "ciento": 100, "cero": 0, "hundred": 100}
SPANISH_TENS = {"veinte", "treinta", "cuarenta", "cincuenta", "sesenta", "setenta", "ochenta", "noventa"}
GLUED = set("ml mls cc h hr hrs m min mins am pm p a x mm g ga gauge cm kg lb lbs lbs th st nd rd ish mg f c o s hours hour minutes y and to l r".split())
_PIECE = re.compile(
    r"(?P<mixed>(?=[\w-]*\d)(?=[\w-]*[^\W\d_])[^\W_][\w-]*)|(?P<clock>\d{1,2}:\d{2}(?!\d))|(?P<number>\d+(?:[.,]\d{1,2}(?!\d))?)"
    r"|(?P<word>[^\W\d_]+(?:['\u2019][^\W\d_]+)*)|(?P<end>[.!?;\n\u2026])|(?P<mark>[^\s\w])")
_HALVES = re.compile(r"(?<![\w.,-])((?:0?\d|1\d|2[0-4])(?:[:.]\d{2})?)(?:\s?([ap])\.?\s?m\b\.?|(?<!1[3-9])(?<!2\d)([ap])\b)", re.IGNORECASE)
_HALF = {"a": "antemeridiem", "p": "postmeridiem"}
_AFTER_DIGIT = {"m": "MIN", "am": "antemeridiem", "pm": "postmeridiem", "a": "antemeridiem", "p": "postmeridiem"}
_PARTS = re.compile(r"\d+(?:[.,]\d+)?|[^\W\d_]+")
_TYPED = {"\u00bd": ".5", "\u2013": "-", "\u2014": ",", "\u2192": "-", ">": "-", "(": ",", ")": ",", "#": "#"}
_WRONGLY = {"jelly", "bully", "dummy", "mummy", "yummy", "gummy", "rummy", "belle", "tight", "eighth", "night", "might"}
_SPELT = ("thigh", "thighs", "belly", "tummy", "stomach", "abdomen", "muslo", "muslos", "barriga", "cadera", "pierna", "piernas", "izquierda",
          "izquierdo", "derecha", "derecho", "buttock", "milliliters", "minutes")


class Piece(NamedTuple):
    """One piece of a text: our word (or several, or none) for it, the piece as it was typed, and where it stood."""

    word: str
    typed: str
    at: int = 0


def _phrases():
    table = {}
    for plain, phrases in PLAIN.items():
        for phrase in phrases.split():
            table.setdefault(tuple(norm(part) for part in phrase.split("_")), plain)
    return table


PHRASES = _phrases()
LONGEST = max(map(len, PHRASES))


def pieces(text):
    """The pieces of a text in order, each with our word for it. Never raises on a string."""
    text = _HALVES.sub(lambda found: f"{found[1]} {_HALF[(found[2] or found[3]).lower()]} ", text)
    text = re.sub(r"(?m)(?:^|(?<=\s))\d\) (?=\S)|^\d\. (?=\S)", "\n", text)  # "1) left thigh 2) right thigh": the numbers of a list
    for typed, ours in _TYPED.items():
        text = text.replace(typed, ours)
    return _numbers(_plain([piece for found in _PIECE.finditer(text) for piece in _cut(found)]))


def line(found):
    """The words of pieces as one line, a blank before and after each: what the patterns read."""
    return " | " + " ".join(piece.word for piece in found if piece.word) + " | "


def _cut(found):
    kind, typed, at = found.lastgroup, found.group(), found.start()
    if kind == "mixed":
        return _mixed(typed, at)
    if kind == "number":
        return [Piece(_digits(typed), typed, at)]
    if kind == "end":
        return [Piece("? |" if typed == "?" else "|", typed, at)]
    return [Piece(norm(typed) if kind == "word" else typed, typed, at)]


def _digits(typed):
    """A number as we write it; one of seven digits or more is a code."""
    digits = typed.replace(",", ".")
    return "CODE" if len(digits) > 6 else f"{float(digits):g}" if "." in digits else digits


def _mixed(typed, at):
    """Letters and digits in one: "40ml", "1h50" and "6pm-7pm" come apart, "A123" and "AB-1234" are codes."""
    runs = [(found.group(), at + found.start()) for found in _PARTS.finditer(typed)]
    if re.fullmatch(r"[^\W\d_]{1,4}-\d{3,}[\w-]*", typed) and norm(runs[0][0]) not in KNOWN:
        return [Piece("CODE", typed, at)]
    for part in typed.split("-"):
        inside = [norm(run) for run in _PARTS.findall(part)]
        letters = [run for run in inside if not run[0].isdigit()]
        fine = all(run in GLUED or run in KNOWN for run in letters) and (
            len(inside) < 2 or inside[0][0].isdigit() or letters[0] in ("x", "l", "r") and len(part) < 6 or len(letters[0]) > 3)
        if re.fullmatch(r"(?:1[3-9]|[2-9]\d|\d{3,})[ap]", part, re.IGNORECASE) or not fine and any(run[0].isdigit() for run in inside):
            return [Piece("CODE", typed, at)]
    cut = []
    for place, (run, start) in enumerate(runs):
        if cut and start > cut[-1].at + len(cut[-1].typed):
            cut.append(Piece("-", "-", start - 1))
        after_digit = place and runs[place - 1][0][0].isdigit()
        if run[0].isdigit():
            cut.append(Piece(_digits(run), run, start))
        else:
            cut.append(Piece(_AFTER_DIGIT.get(norm(run), norm(run)) if after_digit else norm(run), run, start))
    if re.search(r"\dh\d\d?$", typed, re.IGNORECASE):
        cut.append(Piece("MIN", "", at + len(typed)))  # "1h50" is no "1 h" and "50"
    return cut


def _plain(found):
    """Our words for the patient's phrases, the longest first."""
    out, place = [], 0
    while place < len(found):
        for length in range(min(LONGEST, len(found) - place), 0, -1):
            phrase = tuple(piece.word for piece in found[place:place + length])
            if phrase in PHRASES:
                typed = " ".join(piece.typed for piece in found[place:place + length])
                out.append(Piece(PHRASES[phrase], typed, found[place].at))
                break
        else:
            length = 1
            out.append(found[place]._replace(word=_word(found[place].word)))
        place += length
    return out


def _word(word):
    if word in NUMBERS or len(word) < 5 or not word.isalpha():
        return AREA_OF.get(word) or SIDE_OF.get(word) or LEVEL_OF.get(word) or word
    return AREA_OF.get(word) or SIDE_OF.get(word) or LEVEL_OF.get(word) or _spelt(word)


def _spelt(word):
    """A word of the body, a side or a unit that is one slip away from what was typed; else the word itself."""
    if word in _WRONGLY:
        return word
    right = next((each for each in _SPELT if _one_slip(word, each)), None)
    return PHRASES.get((right,)) or AREA_OF.get(right) or SIDE_OF.get(right) or word if right else word


def _one_slip(first, second):
    """Is it one letter more, less, other or swapped?"""
    if abs(len(first) - len(second)) > 1 or first[0] != second[0]:
        return False
    same = next((place for place, pair in enumerate(zip(first, second)) if pair[0] != pair[1]), min(len(first), len(second)))
    rest, other = first[same:], second[same:]
    return rest[1:] == other[1:] or rest[1:] == other or rest == other[1:] or (rest[:2] == other[1::-1] and rest[2:] == other[2:])


def _numbers(found):
    """Number words as digits: "thirty eight", "treinta y ocho", "a hundred and ten"."""
    out, place = [], 0
    while place < len(found):
        word = found[place].word
        value = NUMBERS.get(word)
        if word == "once" and out and out[-1].word in ("AT", "la", "OF", "a", "TO", "FROM"):
            value = 11  # Spanish, where English says "once"
        if value is None:
            out.append(found[place])
            place += 1
            continue
        end = place + 1
        more = [piece.word for piece in found[end:end + 3]]
        if value == 100 and more[:1] == ["AND"] and NUMBERS.get(more[1] if len(more) > 1 else "", 0) >= 5:
            value, end = 100 + NUMBERS[more[1]], end + 2
        elif value == 100 and more and 5 <= NUMBERS.get(more[0], 0) < 100:
            value, end = 100 + NUMBERS[more[0]], end + 1
        elif value == 1 and more[:1] == ["hundred"]:
            place = end
            continue
        elif value >= 20 and value % 10 == 0 and value < 100:
            linked = more[:1] == ["AND"] and word in SPANISH_TENS or more[:1] == ["TO"] and found[end].typed == "-"
            joined = NUMBERS.get(more[linked] if len(more) > linked else "", 0)
            if 0 < joined < 10 and (linked or word not in SPANISH_TENS):
                value, end = value + joined, end + 1 + linked
        out.append(Piece(f"{value}w", " ".join(piece.typed for piece in found[place:end]), found[place].at))
        place = end
    return out


KNOWN = {phrase[0] for phrase in PHRASES if len(phrase) == 1} | set(AREA_OF) | set(SIDE_OF)
