"""The vocabulary of column names: one entry a meaning, in the order in which meanings are tried.

Each entry: exact words (folded), stems looked for inside longer words, and pairs of neighbouring words. Trade and everyday
terms of each language; where a word means two things in two languages ("temps", "data", "tempo") it stands in both entries
and the column's values decide.
"""

from __future__ import annotations

# meaning, exact words, stems, pairs of words
VOCABULARY: tuple[tuple[str, str, str, str], ...] = (
    (
        "reference",
        "cj cjc cjt cjtemp coldj coldjunction rjc tcj",
        "kaltstelle vergleichsstelle klemmentemp terminaltemp",
        "cold junction, ref junction, reference junction, soudure froide, jonction froide, union fria, giunto "
        "freddo, junta fria, juncao fria, koude las, koude junctie, zimny koniec, zimne zlacze, zimna spoina, "
        "kalla lodstallet, kallt lodstalle, internal temp, internal temperature, int temp, chip temp, die temp, "
        "temp internal, terminal temp, terminal temperature, cold end, reference temp",
    ),
    (
        "remaining",
        "countdown eta remain remaining restant restante restzeit rimanente",
        "restzeit",
        "time left, to go",
    ),
    (
        "difference",
        "abweichung afwijking avvikelse blad delta deriv derivative desviacion desvio deviation diff difference "
        "differenz dt dtdt dterm ecart err erreur erro error errore gradient heizrate integral iterm kd ki kp "
        "noise odchylka pendenza pendiente pente pterm ramp ramprate rate regelabweichung scarto sigma slope "
        "spread std stdev steigung",
        "abweichung differenz gradient",
        "",
    ),
    (
        "raw",
        "adc bits brut count counts crudo digits emf grezzo lsb raw roh rohwert thermospannung",
        "rohwert thermospannung",
        "",
    ),
    (
        "setpoint",
        "ajustada ajustado alvo bor borvarde cel cible cmd command commanded consigna consigne demand deseada "
        "deseado desejada desejado desired docelowa doel doeltemp gewenst gewenste gewuenscht goal impostata "
        "impostato impostazione ingesteld ingestelde innstilt installd instelling instelwaarde mal maltemp nastawa "
        "nastawiona obiettivo objectif objetivo onskad onsket prescrita preset pretendida pretendido profil_soll "
        "profiletemp programada programado programmata programmato referencetemp reglage requerida set setp "
        "setpoint setpoints setpt setpunkt setpunt settemp setval soll soll1 sollwert souhaitee sp spt stpt "
        "streefwaarde sv target targettemp tavoite tset tsoll tsp ttarget ustawiona visee wanted wantedtemp wsp "
        "wunsch wunschtemp zadana zadane zadanie zadany задание уставка 目标 目标温度 設定 設定温度 设定 设定温度",
        "sollwert solltemp setpoint zieltemp vorgabe borvard instelwaard instelpunt streeftemp setwert",
        "set point, set value, valor deseado, valeur visee, profile temp, valor ajustado, ideal temp, program "
        "temp, profile temperature, wartosc zadana",
    ),
    (
        "average",
        "average avg durchschnitt gem gemiddeld gemiddelde gennemsnit gjennomsnitt mean medel medelvarde media "
        "medio mittel mittelwert moy moyenne mw promedio prumer snitt sr srednia tavg tmean среднее 平均 平均温度",
        "mittelwert durchschnitt average medeltemp mitteltemp gemiddelde medelvard",
        "",
    ),
    (
        "smoothed",
        "ewma filt filtered filtrado filtrato filtre gefiltert kalman lissee smooth smoothed smoothened",
        "",
        "",
    ),
    (
        "ambient",
        "amb ambiant ambiante ambient ambiente kamer lab omgeving omgivning otoczenia otoczenie outside raum room "
        "rum rumstemp tamb umgebung",
        "umgebung raumtemp rumstemp omgevings kamertemp otoczen omgivning",
        "",
    ),
    (
        "temperature",
        "actual actueel actuele actuelle aktualna aktuell arvarde attuale atual avlast celsius czujnik degc degf "
        "effettiva fahrenheit fuehler fuhler gemessen gemessene gemeten givare homerseklet ist istt istwert kelvin "
        "lampotila lectura leitura lettura matvarde measured medicao medicion medida medido mess messfuhler "
        "messung messwert mesure mesuree mesures meting misura misurata misurato misurazione ntc odczyt ofentemp "
        "pomiar probe process pv real reelle rtd rzeczywista sensor sensore sonda sonde tair tatsaechlich tboard "
        "tc tcold temp temperatur temperatura temperature temperaturen temperatuur temps teplota termocoppia "
        "termoelement termopar termopara thermo thermocoupl thermocouple thermoelement thermokoppel thot tist tmp "
        "toven tpcb uppmatt werkelijk zmierzona температура 温度",
        "temperatur temperatuur thermoelement istwert isttemp messstelle temperature thermocouple",
        "process value",
    ),
    (
        "duty",
        "actuator aquecedor aquecimento ausgang calefaccion calefactor calentador chauffage chauffe co ctrl dc "
        "drive duty dutycycle effekt element grzalka grzalki grzanie heat heater heateron heaters heating heiz "
        "heizer heizung htr leistung moc mv op out outp output pidout potencia potenza pow power puissance pwm pwr "
        "relais relay rele resistencia resistenza riscaldamento riscaldatore saida salida sortie ssr stellgrad "
        "stellgroesse stellgrosse stellwert triac uitgang uscita utgang varmare varme vermogen verwarming wyjscie "
        "мощность нагрев 出力 功率 加热",
        "leistung heizleist stellgr dutycycle heizung tastgrad einschalt heaterduty varmeeffekt",
        "",
    ),
    (
        "state",
        "abschnitt alarm bemerkung comment deur door drzwi ereignis estado etapa etape etat event fas fase fault "
        "faza flag kommentar krok label lucka message mode modo modus msg note paso phase porta porte program "
        "programm puerta remark running schritt seg segment stage stan stap stat state stato status steg step tila "
        "tillstand tur zustand состояние 状态 状態",
        "zustand betriebsart programmschritt",
        "",
    ),
    (
        "time",
        "aika cas clock czas datetime datetimeutc dauer durata duration duree ecoule elap elapsed epoch godzina "
        "heure hora horodatage ido klockslag klok laufzeit localtime marca micros millis millisec milliseconds "
        "minuten minuter minutes minuti minutos minuty msec ora runtime sec second seconden secondes secondi "
        "seconds secs segundos sek sekunden sekunder sekundy stamp systime tempo temps tick ticks tid tidpunkt "
        "tiempo tijd tijdstip time timestamp ts uhrzeit unix unixtime uptime utc verstreken zeit zeitstempel время "
        "时间 時間 시간",
        "zeitpunkt zeitstempel timestamp laufzeit uhrzeit messzeit elapsed tidsstampel milliseconds tijdstempel "
        "seconds sekunde",
        "",
    ),
    (
        "date",
        "dag data date dato datum day fecha jour paivays дата 日付 日期",
        "",
        "",
    ),
    (
        "other",
        "amount ampere amps balance batt battery belt betrag checksum chk close co2 conveyor corrente corriente "
        "cost courant crc current damper druck energie energy fan feuchte flags flakt flow freq frequency fukt gas "
        "heap humedad humidite humidity id kwh latitude longitude luefter lufter mains netz o2 open oxygen ppm "
        "presion pression pressione pressure price qty quantity rain remaining rh rpm rssi saldo serial spannung "
        "speed strom stroom tension umidade umidita vbat ventilador ventilateur ventilator ventola version vin "
        "vochtigheid volt voltage volts volume wentylator wilgotnosc wind",
        "feuchtigkeit luftfeucht netzspannung drehzahl prufsumme",
        "time left, mains v",
    ),
    (
        "extreme",
        "coldest hottest max maximum maxtemp min minimum mintemp peak tmax tmin",
        "",
        "",
    ),
    (
        "index",
        "# amostra campione cnt counter echantillon entry frame i idx index lfd line lp messung muestra n no nr "
        "num number numero packet probka prov reading rec record row sample samples scan seq sequence zeile 序号",
        "laufnummer messwertnr",
        "",
    ),
    (
        "place",
        "abajo achter air aire aria arriba arriere avant back bak bas bga board boardtemp bord bottom boven canal "
        "canale carte center centre centro ch chan channel chip coin connector control corner derecha destra "
        "direita dol droite east ecke edge esquerda fondo forno four fram frente front fuehler1 gauche gora haut "
        "heatsink hinten hoger horno ic inlet inner izquierda joint k1 kan kanaal kanal kanal1 kort lado lead left "
        "leiterplatte lewa lewy links loc lower lucht luft midden middenin middle mitte mitte_links mitten monitor "
        "north oben ofen onder outer outlet oven package pcb pcbtemp piec placa platine plytka point powietrze "
        "prawa prawy printplaat przod qfn qfp rack rand rear rechts right scheda shelf side sinistra sopra sotto "
        "south spot srodek t tip tk top tras tray tyl typek ugn unten upper vanster voie voor vorn vorne wall west "
        "zona zone",
        "leiterplatt",
        "",
    ),
)
