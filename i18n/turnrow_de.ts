<?xml version="1.0" encoding="utf-8"?>
<!DOCTYPE TS>
<TS version="2.1" language="de" sourcelanguage="en">
<context>
    <name>Turnrow</name>
    <message>
        <source>Read traverse log</source>
        <translation>Messdatei lesen</translation>
    </message>
    <message>
        <source>Read</source>
        <translation>Lesen</translation>
    </message>
    <message>
        <source>Reads the text log of an instrument into a table of readings; detects its layout where none is given.</source>
        <translation>Liest die Textdatei eines Messgeräts in eine Tabelle von Messungen; ermittelt ihren Aufbau, wo keiner gegeben ist.</translation>
    </message>
    <message>
        <source>Logs</source>
        <translation>Messdateien</translation>
    </message>
    <message>
        <source>Text files as the logger wrote them. They are not changed.</source>
        <translation>Textdateien, wie sie das Gerät geschrieben hat. Sie werden nicht verändert.</translation>
    </message>
    <message>
        <source>Layout of the log</source>
        <translation>Aufbau der Messdatei</translation>
    </message>
    <message>
        <source>A layout as this algorithm writes it; found out when left empty.</source>
        <translation>Ein Aufbau, wie ihn dieser Algorithmus schreibt; wird ermittelt, wenn leer.</translation>
    </message>
    <message>
        <source>Grid</source>
        <translation>Messfläche</translation>
    </message>
    <message>
        <source>Name of the grid that was walked, where the log does not name it.</source>
        <translation>Name der Messfläche, die begangen wurde, wo die Messdatei ihn nicht nennt.</translation>
    </message>
    <message>
        <source>Readings</source>
        <translation>Messungen</translation>
    </message>
    <message>
        <source>A row a reading, in the order of the log; not placed yet.</source>
        <translation>Eine Zeile je Messung, in der Reihenfolge der Messdatei; noch ohne Ort.</translation>
    </message>
    <message>
        <source>Traverses</source>
        <translation>Messlinien</translation>
    </message>
    <message>
        <source>A row a recorded line: its readings, stations and times.</source>
        <translation>Eine Zeile je aufgezeichneter Linie: ihre Messungen, Stationen und Zeiten.</translation>
    </message>
    <message>
        <source>Findings</source>
        <translation>Auffälligkeiten</translation>
    </message>
    <message>
        <source>Rows that could not be read, and why.</source>
        <translation>Zeilen, die nicht zu lesen waren, und warum.</translation>
    </message>
    <message>
        <source>Layout that was used</source>
        <translation>Verwendeter Aufbau</translation>
    </message>
    <message>
        <source>Keep it beside the logs, or mend it and give it back.</source>
        <translation>Neben den Messdateien aufbewahren, oder verbessern und wieder angeben.</translation>
    </message>
    <message>
        <source>Compare log with field notes</source>
        <translation>Messdatei mit Feldnotizen vergleichen</translation>
    </message>
    <message>
        <source>Finds what in the log disagrees with notes or scheme, and possible mistakes in the readings themselves.</source>
        <translation>Findet, was in der Messdatei den Notizen oder dem Plan der Messfläche widerspricht, und mögliche Fehler in den Messungen selbst.</translation>
    </message>
    <message>
        <source>&lt;p&gt;Run it on the evening of the survey, while a line can still be walked again. It also looks for possible mistakes in the readings themselves: lines that fit their neighbours only when they are turned round, moved or exchanged, lines walked twice, and readings lost by the logger. Nothing is changed.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Am Abend der Messung laufen lassen, solange eine Linie noch einmal begangen werden kann. Auch in den Messungen selbst wird nach möglichen Fehlern gesucht: Linien, die nur gewendet, verschoben oder vertauscht zu ihren Nachbarn passen, doppelt begangene Linien und vom Gerät verlorene Messungen. Nichts wird verändert.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>A table of readings of one grid, as read from the log.</source>
        <translation>Eine Tabelle von Messungen einer Messfläche, wie aus der Messdatei gelesen.</translation>
    </message>
    <message>
        <source>Field notes</source>
        <translation>Feldnotizen</translation>
    </message>
    <message>
        <source>A row a remark: line, run, start_station, stop_station, position_m, heading, kind, comment.</source>
        <translation>Eine Zeile je Bemerkung: line, run, start_station, stop_station, position_m, heading, kind, comment.</translation>
    </message>
    <message>
        <source>Name of the grid, as in the notes and corners. Empty = as the readings say.</source>
        <translation>Name der Messfläche, wie in Notizen und Eckpunkten. Leer = wie die Messungen sagen.</translation>
    </message>
    <message>
        <source>Length along the traverses</source>
        <translation>Länge entlang der Messlinien</translation>
    </message>
    <message>
        <source>m</source>
        <translation>m</translation>
    </message>
    <message>
        <source>From the baseline to the far edge.</source>
        <translation>Von der Grundlinie zum jenseitigen Rand.</translation>
    </message>
    <message>
        <source>Width along the baseline</source>
        <translation>Breite entlang der Grundlinie</translation>
    </message>
    <message>
        <source>From the start corner to the other end of the baseline.</source>
        <translation>Vom Anfangseckpunkt zum anderen Ende der Grundlinie.</translation>
    </message>
    <message>
        <source>Spacing of the traverses</source>
        <translation>Abstand der Messlinien</translation>
    </message>
    <message>
        <source>Distance from one line to the next.</source>
        <translation>Abstand von einer Linie zur nächsten.</translation>
    </message>
    <message>
        <source>First line from the edge</source>
        <translation>Erste Linie vom Rand</translation>
    </message>
    <message>
        <source>Half the spacing when left empty.</source>
        <translation>Der halbe Abstand, wenn leer.</translation>
    </message>
    <message>
        <source>Readings a metre</source>
        <translation>Messungen je Meter</translation>
    </message>
    <message>
        <source>1/m</source>
        <translation>1/m</translation>
    </message>
    <message>
        <source>Readings a second divided by walking speed.</source>
        <translation>Messungen je Sekunde, geteilt durch die Gehgeschwindigkeit.</translation>
    </message>
    <message>
        <source>Number of the first line</source>
        <translation>Nummer der ersten Linie</translation>
    </message>
    <message>
        <source>As the logger counts.</source>
        <translation>Wie das Gerät zählt.</translation>
    </message>
    <message>
        <source>Step of line numbers</source>
        <translation>Schritt der Liniennummern</translation>
    </message>
    <message>
        <source>By how much the number grows from line to line.</source>
        <translation>Um wie viel die Nummer von Linie zu Linie wächst.</translation>
    </message>
    <message>
        <source>First station inside the edge</source>
        <translation>Erste Station innerhalb des Randes</translation>
    </message>
    <message>
        <source>logger&apos;s count</source>
        <translation>Zählung des Geräts</translation>
    </message>
    <message>
        <source>Station of the first reading behind the start edge.</source>
        <translation>Station der ersten Messung hinter dem Anfangsrand.</translation>
    </message>
    <message>
        <source>Pattern</source>
        <translation>Muster</translation>
    </message>
    <message>
        <source>Back and forth, or every line in one direction.</source>
        <translation>Hin und zurück, oder jede Linie in einer Richtung.</translation>
    </message>
    <message>
        <source>First line is walked</source>
        <translation>Die erste Linie geht</translation>
    </message>
    <message>
        <source>Away from the baseline (out) or towards it (back).</source>
        <translation>Von der Grundlinie weg (out) oder auf sie zu (back).</translation>
    </message>
    <message>
        <source>Sensor ahead of the walker</source>
        <translation>Sensor vor der gehenden Person</translation>
    </message>
    <message>
        <source>Negative when it is behind.</source>
        <translation>Negativ, wenn er dahinter ist.</translation>
    </message>
    <message>
        <source>Sensor to the right of the walker</source>
        <translation>Sensor rechts der gehenden Person</translation>
    </message>
    <message>
        <source>Negative when it is to the left.</source>
        <translation>Negativ, wenn er links ist.</translation>
    </message>
    <message>
        <source>Pace</source>
        <translation>Gang</translation>
    </message>
    <message>
        <source>Evenly by readings a metre (rate), stretched between noted ends (ends), or between fiducial marks (marks).</source>
        <translation>Gleichmäßig nach Messungen je Meter (rate), gestreckt zwischen notierten Enden (ends) oder zwischen Wegmarken (marks).</translation>
    </message>
    <message>
        <source>What disagrees, what was expected, what to do.</source>
        <translation>Was nicht stimmt, was zu erwarten war, was zu tun ist.</translation>
    </message>
    <message>
        <source>Lines to walk again</source>
        <translation>Noch einmal zu begehende Linien</translation>
    </message>
    <message>
        <source>How many lines must be walked again.</source>
        <translation>Wie viele Linien noch einmal begangen werden müssen.</translation>
    </message>
    <message>
        <source>Place readings on the ground</source>
        <translation>Messungen an ihren Ort setzen</translation>
    </message>
    <message>
        <source>Place</source>
        <translation>Verorten</translation>
    </message>
    <message>
        <source>Puts every reading of a grid on the map, from its line and station and the grid&apos;s corners.</source>
        <translation>Setzt jede Messung einer Messfläche auf die Karte, nach ihrer Linie und Station und den Eckpunkten der Fläche.</translation>
    </message>
    <message>
        <source>&lt;p&gt;A station stands for an interval and its reading lies in the middle of it, whichever way it was walked. What the notes say overrides the scheme for that line. Overrun, dummy, void and redone lines are flagged, not dropped.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Eine Station steht für ein Wegstück, und ihre Messung liegt in dessen Mitte, gleich in welcher Richtung es begangen wurde. Was die Notizen sagen, geht für die jeweilige Linie dem Plan vor. Überlauf, Blindlinien, ungültige und wiederholte Linien werden gekennzeichnet, nicht verworfen.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>Corners</source>
        <translation>Eckpunkte</translation>
    </message>
    <message>
        <source>Points, or a table with x and y or Easting and Northing: grid, corner (start, baseline, opposite, head). Two or more a grid.</source>
        <translation>Punkte oder eine Tabelle mit x und y oder Easting und Northing: grid, corner (start, baseline, opposite, head). Zwei oder mehr je Messfläche.</translation>
    </message>
    <message>
        <source>A row a remark; they override the scheme line by line.</source>
        <translation>Eine Zeile je Bemerkung; sie gehen dem Plan Linie für Linie vor.</translation>
    </message>
    <message>
        <source>Fit to the corners</source>
        <translation>Einpassung in die Eckpunkte</translation>
    </message>
    <message>
        <source>Shift, turn and one scale (similarity); also shear (affine); through all four corners, which hides errors (exact).</source>
        <translation>Verschiebung, Drehung und ein Maßstab (similarity); auch Scherung (affine); genau durch alle vier Eckpunkte, was Fehler verbirgt (exact).</translation>
    </message>
    <message>
        <source>CRS of the survey</source>
        <translation>KBS der Messung</translation>
    </message>
    <message>
        <source>Projected, in metres. Empty = as the corners.</source>
        <translation>Projiziert, in Metern. Leer = wie die Eckpunkte.</translation>
    </message>
    <message>
        <source>Placed readings</source>
        <translation>Verortete Messungen</translation>
    </message>
    <message>
        <source>Points; readings out of use carry a flag.</source>
        <translation>Punkte; Messungen außer Gebrauch tragen ein Kennzeichen.</translation>
    </message>
    <message>
        <source>What disagrees between corners, notes and log, and what to do.</source>
        <translation>Was zwischen Eckpunkten, Notizen und Messdatei nicht stimmt, und was zu tun ist.</translation>
    </message>
    <message>
        <source>Largest residual</source>
        <translation>Größte Restabweichung</translation>
    </message>
    <message>
        <source>Of the corners, in metres.</source>
        <translation>Der Eckpunkte, in Metern.</translation>
    </message>
    <message>
        <source>Flag outlying readings</source>
        <translation>Ausreißer kennzeichnen</translation>
    </message>
    <message>
        <source>Correct</source>
        <translation>Berichtigen</translation>
    </message>
    <message>
        <source>Flags isolated readings that neither the traverse nor its neighbours explain.</source>
        <translation>Kennzeichnet einzelne Messungen, die weder die Linie noch ihre Nachbarn erklären.</translation>
    </message>
    <message>
        <source>&lt;p&gt;A kiln or a larger piece of iron is no outlier. Values stay; the reading carries the flag.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Ein Ofen oder ein größeres Stück Eisen ist kein Ausreißer. Die Werte bleiben; die Messung trägt das Kennzeichen.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>Placed readings.</source>
        <translation>Verortete Messungen.</translation>
    </message>
    <message>
        <source>Channels</source>
        <translation>Kanäle</translation>
    </message>
    <message>
        <source>Channels to look at; all when none is chosen.</source>
        <translation>Kanäle, die angesehen werden; alle, wenn keiner gewählt ist.</translation>
    </message>
    <message>
        <source>Threshold</source>
        <translation>Schwelle</translation>
    </message>
    <message>
        <source>noise units</source>
        <translation>Rauscheinheiten</translation>
    </message>
    <message>
        <source>How far a reading must stand out from its neighbours.</source>
        <translation>Wie weit eine Messung aus ihren Nachbarn herausragen muss.</translation>
    </message>
    <message>
        <source>Readings, outliers flagged</source>
        <translation>Messungen, Ausreißer gekennzeichnet</translation>
    </message>
    <message>
        <source>The same readings; nothing is removed.</source>
        <translation>Dieselben Messungen; nichts wird entfernt.</translation>
    </message>
    <message>
        <source>Readings flagged</source>
        <translation>Gekennzeichnete Messungen</translation>
    </message>
    <message>
        <source>How many readings were flagged.</source>
        <translation>Wie viele Messungen gekennzeichnet wurden.</translation>
    </message>
    <message>
        <source>Align opposing traverses</source>
        <translation>Gegenläufige Messlinien ausrichten</translation>
    </message>
    <message>
        <source>Takes out the stagger between opposite lines, and each line&apos;s own position error along its direction.</source>
        <translation>Nimmt den Versatz zwischen gegenläufig begangenen Linien heraus und den eigenen Lagefehler jeder Linie in ihrer Richtung.</translation>
    </message>
    <message>
        <source>&lt;p&gt;Every reading is moved along its walking direction by the lag of the instrument. It is a time, so lines walked faster move by more, and a channel whose lag differs from the others is moved by its own. It is estimated from neighbouring lines, or from tie lines where all lines lead one way, and applied only when it is proven: larger than two standard errors. Where nothing shows it, the standard errors of the positions hold it, and a warning says so.&lt;/p&gt;&lt;p&gt;After that each line gets a shift, a stretch and a smooth wander of its own, so that it fits between the lines on both sides: people start, stop and keep pace a little differently each time. A line is moved only as far as the signal on both sides proves; where there is no contrast it stays. What all lines of a grid have in common cannot be seen.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Jede Messung wird in ihrer Gehrichtung um die Verzögerung des Geräts verschoben. Sie ist eine Zeit: schneller gegangene Linien rücken weiter, und ein Kanal, dessen Verzögerung von der der anderen abweicht, um seine eigene. Sie wird aus benachbarten Linien geschätzt, oder aus Querlinien, wo alle Linien in eine Richtung führen, und nur angewandt, wenn sie erwiesen ist: größer als zwei Standardfehler. Wo nichts sie zeigt, steht sie in den Standardfehlern der Orte, und eine Warnung sagt es.&lt;/p&gt;&lt;p&gt;Danach erhält jede Linie ihre eigene Verschiebung, Streckung und sanfte Schwankung, sodass sie zwischen die Linien beiderseits passt: Menschen beginnen, enden und gehen jedes Mal ein wenig anders. Eine Linie wird nur so weit bewegt, wie die Messwerte beiderseits es beweisen; wo kein Kontrast ist, bleibt sie. Was alle Linien einer Messfläche gemeinsam haben, ist nicht zu sehen.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>Channels that the estimate rests on; all when none is chosen.</source>
        <translation>Kanäle, auf denen die Schätzung beruht; alle, wenn keiner gewählt ist.</translation>
    </message>
    <message>
        <source>Shift</source>
        <translation>Verschiebung</translation>
    </message>
    <message>
        <source>In walking direction, at the median speed; negative when values were written late. Estimated when left empty.</source>
        <translation>In Gehrichtung, bei mittlerer Geschwindigkeit; negativ, wenn Werte zu spät geschrieben wurden. Wird geschätzt, wenn leer.</translation>
    </message>
    <message>
        <source>Correct each line on its own</source>
        <translation>Jede Linie für sich berichtigen</translation>
    </message>
    <message>
        <source>Whether each line also gets a small correction of its own, besides the shift of all.</source>
        <translation>Ob jede Linie neben der gemeinsamen Verschiebung auch eine kleine eigene Berichtigung erhält.</translation>
    </message>
    <message>
        <source>Aligned readings</source>
        <translation>Ausgerichtete Messungen</translation>
    </message>
    <message>
        <source>The readings at their new places.</source>
        <translation>Die Messungen an ihren neuen Orten.</translation>
    </message>
    <message>
        <source>Shift applied</source>
        <translation>Angewandte Verschiebung</translation>
    </message>
    <message>
        <source>In metres at the median speed; 0 when none was proven.</source>
        <translation>In Metern bei mittlerer Geschwindigkeit; 0, wenn keine erwiesen war.</translation>
    </message>
    <message>
        <source>Lag taken off</source>
        <translation>Beseitigte Verzögerung</translation>
    </message>
    <message>
        <source>In seconds, positive when values were written late; empty when the log has no times.</source>
        <translation>In Sekunden, positiv, wenn Werte zu spät geschrieben wurden; leer, wenn die Aufzeichnung keine Zeiten hat.</translation>
    </message>
    <message>
        <source>Standard error of the shift</source>
        <translation>Standardfehler der Verschiebung</translation>
    </message>
    <message>
        <source>In metres.</source>
        <translation>In Metern.</translation>
    </message>
    <message>
        <source>Balance traverses</source>
        <translation>Messlinien ausgleichen</translation>
    </message>
    <message>
        <source>Takes out stripes and drift between lines, and keeps features that run along the traverses.</source>
        <translation>Nimmt Streifen und Drift zwischen den Linien heraus und erhält, was entlang der Linien verläuft.</translation>
    </message>
    <message>
        <source>&lt;p&gt;First the offset between the two walking directions is estimated; then an offset a line and a smooth drift in time, from the differences of neighbouring lines, the crossovers with tie lines, and base readings (readings at one spot every so often). Ties and base readings count where the notes name them. With one spot for the whole survey, base readings bring the grids to one level as well.&lt;/p&gt;&lt;p&gt;Walk three tie lines across a grid: without ties, a feature along the traverses that is one or two lines wide and weaker than about three times the stripes cannot be separated from stripes for certain, nor a gentle trend of the ground from drift. The standard errors in the table of offsets say how well both were separated.&lt;/p&gt;&lt;p&gt;The method &lt;i&gt;median&lt;/i&gt; sets every line to a common level: it deletes features that run along the traverses.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Zuerst wird der Unterschied zwischen den beiden Gehrichtungen geschätzt; dann ein Niveau je Linie und eine sanfte Drift mit der Zeit, aus den Unterschieden benachbarter Linien, den Kreuzungen mit Querlinien und den Basismessungen (wiederkehrende Messungen an einer Stelle). Querlinien und Basismessungen zählen, wo die Notizen sie nennen. Mit einer Stelle für die ganze Messung bringen die Basismessungen auch die Messflächen auf ein Niveau.&lt;/p&gt;&lt;p&gt;Drei Querlinien über eine Messfläche gehen: ohne Querlinien ist eine Struktur entlang der Messlinien, die eine oder zwei Linien breit und schwächer als etwa das Dreifache der Streifen ist, nicht sicher von Streifen zu trennen, ebenso wenig ein sanfter Anstieg des Bodens von Drift. Wie gut beides getrennt wurde, sagen die Standardfehler in der Tabelle der Niveaus.&lt;/p&gt;&lt;p&gt;Das Verfahren &lt;i&gt;median&lt;/i&gt; setzt jede Linie auf ein gemeinsames Niveau: es löscht Strukturen, die entlang der Linien verlaufen.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>Placed readings, aligned if need be.</source>
        <translation>Verortete Messungen, wenn nötig ausgerichtet.</translation>
    </message>
    <message>
        <source>Channels to balance; all when none is chosen.</source>
        <translation>Kanäle, die ausgeglichen werden; alle, wenn keiner gewählt ist.</translation>
    </message>
    <message>
        <source>Method</source>
        <translation>Verfahren</translation>
    </message>
    <message>
        <source>From neighbouring lines with tie lines and base readings where there are any, from neighbouring lines alone, by line medians, or only the offset between the two directions.</source>
        <translation>Aus benachbarten Linien mit Querlinien und Basismessungen, wo es welche gibt, aus benachbarten Linien allein, nach Medianen der Linien, oder nur der Unterschied zwischen den beiden Richtungen.</translation>
    </message>
    <message>
        <source>Drift</source>
        <translation>Drift</translation>
    </message>
    <message>
        <source>Look for a smooth drift in time (with neighbours; needs the times of the readings).</source>
        <translation>Nach einer sanften Drift mit der Zeit suchen (mit Nachbarn; braucht die Zeiten der Messungen).</translation>
    </message>
    <message>
        <source>Balanced readings</source>
        <translation>Ausgeglichene Messungen</translation>
    </message>
    <message>
        <source>Values as logged stay beside them, in fields ending in _raw.</source>
        <translation>Die gemessenen Werte bleiben daneben, in Feldern, die auf _raw enden.</translation>
    </message>
    <message>
        <source>Offsets</source>
        <translation>Niveaus</translation>
    </message>
    <message>
        <source>What was subtracted from each line, its standard error, and what it was based on.</source>
        <translation>Was von jeder Linie abgezogen wurde, dessen Standardfehler und worauf es beruht.</translation>
    </message>
    <message>
        <source>Balance neighbouring grids</source>
        <translation>Benachbarte Messflächen ausgleichen</translation>
    </message>
    <message>
        <source>Brings the grids of a survey to one level, estimated from their common edges and overlaps.</source>
        <translation>Bringt die Messflächen auf ein Niveau, geschätzt aus ihren gemeinsamen Rändern und Überlappungen.</translation>
    </message>
    <message>
        <source>Placed readings of several grids, traverses balanced.</source>
        <translation>Verortete Messungen mehrerer Messflächen, Messlinien ausgeglichen.</translation>
    </message>
    <message>
        <source>Model</source>
        <translation>Modell</translation>
    </message>
    <message>
        <source>Grid that stays</source>
        <translation>Messfläche, die bleibt</translation>
    </message>
    <message>
        <source>Name of the grid that is left as it is; the mean of all grids stays when left empty.</source>
        <translation>Name der Messfläche, die bleibt, wie sie ist; das Mittel aller Messflächen bleibt, wenn leer.</translation>
    </message>
    <message>
        <source>Offsets of the grids</source>
        <translation>Niveaus der Messflächen</translation>
    </message>
    <message>
        <source>Interpolate readings to a raster</source>
        <translation>Messungen zu einem Raster interpolieren</translation>
    </message>
    <message>
        <source>Map</source>
        <translation>Karte</translation>
    </message>
    <message>
        <source>Interpolates along each traverse, then across, onto a north-up raster; or from points anywhere.</source>
        <translation>Interpoliert entlang jeder Messlinie, dann quer dazu, auf ein genordetes Raster; oder aus Punkten in beliebiger Lage.</translation>
    </message>
    <message>
        <source>Channel</source>
        <translation>Kanal</translation>
    </message>
    <message>
        <source>The channel to map.</source>
        <translation>Der Kanal, der kartiert wird.</translation>
    </message>
    <message>
        <source>Cell size</source>
        <translation>Zellgröße</translation>
    </message>
    <message>
        <source>Half the spacing of the traverses is common.</source>
        <translation>Üblich ist der halbe Abstand der Messlinien.</translation>
    </message>
    <message>
        <source>Largest gap</source>
        <translation>Größte Lücke</translation>
    </message>
    <message>
        <source>Cells farther from a reading in use are nodata. Empty = 1.5 spacings: a missing line is bridged, an obstacle is not.</source>
        <translation>Zellen, die weiter von einer verwendeten Messung entfernt sind, bleiben ohne Wert. Leer = 1,5 Linienabstände: eine fehlende Linie wird überbrückt, ein Hindernis nicht.</translation>
    </message>
    <message>
        <source>Extent</source>
        <translation>Ausdehnung</translation>
    </message>
    <message>
        <source>Empty = all readings in use.</source>
        <translation>Leer = alle verwendeten Messungen.</translation>
    </message>
    <message>
        <source>GeoTIFF, north-up, nodata -9999.</source>
        <translation>GeoTIFF, genordet, kein Wert = -9999.</translation>
    </message>
    <message>
        <source>Standard error</source>
        <translation>Standardfehler</translation>
    </message>
    <message>
        <source>From noise, corrections and distance to readings.</source>
        <translation>Aus Rauschen, Berichtigungen und Abstand zu den Messungen.</translation>
    </message>
    <message>
        <source>Split regional and local response</source>
        <translation>Regionalen und lokalen Anteil trennen</translation>
    </message>
    <message>
        <source>Splits a map into its broad background and what stands out from it; the two add up to the map.</source>
        <translation>Trennt eine Karte in ihren breiten Hintergrund und was daraus hervortritt; beide ergeben zusammen die Karte.</translation>
    </message>
    <message>
        <source>&lt;p&gt;The background of a cell is a plane fitted to its neighbourhood with Gaussian weights: slopes do not bend at the edge of the survey or around holes, and steps do not ring. A feature much broader than the width vanishes from the local map, so look at both.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Der Hintergrund einer Zelle ist eine Ebene, mit Gaußschen Gewichten an ihre Umgebung angepasst: Neigungen biegen sich nicht am Rand der Messung oder um Löcher, und Stufen schwingen nicht nach. Eine Struktur, die viel breiter als die Breite ist, verschwindet aus der lokalen Karte; darum beide ansehen.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>A raster in projected metres, north-up, such as an interpolated channel.</source>
        <translation>Ein Raster in projizierten Metern, genordet, etwa ein interpolierter Kanal.</translation>
    </message>
    <message>
        <source>Width</source>
        <translation>Breite</translation>
    </message>
    <message>
        <source>Features narrower than this stand out in the local response, broader ones belong to the regional. Half of a long strip of just this width goes to either.</source>
        <translation>Schmalere Strukturen treten im lokalen Anteil hervor, breitere gehören zum regionalen. Ein langer Streifen genau dieser Breite geht je zur Hälfte in beide.</translation>
    </message>
    <message>
        <source>Regional response</source>
        <translation>Regionaler Anteil</translation>
    </message>
    <message>
        <source>The broad background.</source>
        <translation>Der breite Hintergrund.</translation>
    </message>
    <message>
        <source>Local response</source>
        <translation>Lokaler Anteil</translation>
    </message>
    <message>
        <source>What stands out from it, around zero.</source>
        <translation>Was daraus hervortritt, um null.</translation>
    </message>
    <message>
        <source>Make a map sheet</source>
        <translation>Kartenblatt erstellen</translation>
    </message>
    <message>
        <source>Present</source>
        <translation>Darstellen</translation>
    </message>
    <message>
        <source>Puts maps on a page to scale, with coordinates, colours, what was done to the data, and cautions.</source>
        <translation>Setzt Karten maßstäblich auf ein Blatt, mit Koordinaten, Farben, dem, was mit den Daten geschah, und Warnhinweisen.</translation>
    </message>
    <message>
        <source>&lt;p&gt;Maps that have a style keep it; others get one range of colours. In a project the sheet stays as a print layout, so it can be changed before it is printed again.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Karten mit einem Stil behalten ihn; die anderen erhalten einen gemeinsamen Farbbereich. In einem Projekt bleibt das Blatt als Drucklayout und kann vor dem nächsten Druck verändert werden.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>Maps</source>
        <translation>Karten</translation>
    </message>
    <message>
        <source>Rasters of one survey, one frame each; for several channels, one after the other.</source>
        <translation>Raster einer Messung, je eines in einem Rahmen; für mehrere Kanäle eines nach dem anderen.</translation>
    </message>
    <message>
        <source>Maps as logged</source>
        <translation>Karten wie gemessen</translation>
    </message>
    <message>
        <source>To stand beside the maps, in the same order and the same colours.</source>
        <translation>Zum Nebeneinanderstellen, in derselben Reihenfolge und denselben Farben.</translation>
    </message>
    <message>
        <source>Plans on top</source>
        <translation>Pläne darüber</translation>
    </message>
    <message>
        <source>Excavation plans, outlines, other surveys.</source>
        <translation>Grabungspläne, Umrisse, andere Messungen.</translation>
    </message>
    <message>
        <source>Grids</source>
        <translation>Messflächen</translation>
    </message>
    <message>
        <source>Outlines of the grids, with a field grid.</source>
        <translation>Umrisse der Messflächen, mit einem Feld grid.</translation>
    </message>
    <message>
        <source>One page a grid</source>
        <translation>Eine Seite je Messfläche</translation>
    </message>
    <message>
        <source>Needs the grids.</source>
        <translation>Braucht die Messflächen.</translation>
    </message>
    <message>
        <source>Scale</source>
        <translation>Maßstab</translation>
    </message>
    <message>
        <source>The largest round scale at which the ground fits, or a fixed one.</source>
        <translation>Der größte runde Maßstab, bei dem das Gelände passt, oder ein fester.</translation>
    </message>
    <message>
        <source>Paper</source>
        <translation>Papier</translation>
    </message>
    <message>
        <source>The page is turned as suits the ground.</source>
        <translation>Das Blatt wird gedreht, wie es dem Gelände entspricht.</translation>
    </message>
    <message>
        <source>Name of the site</source>
        <translation>Name des Fundplatzes</translation>
    </message>
    <message>
        <source>Heads the sheet.</source>
        <translation>Steht über dem Blatt.</translation>
    </message>
    <message>
        <source>Title</source>
        <translation>Titel</translation>
    </message>
    <message>
        <source>What the sheet shows.</source>
        <translation>Was das Blatt zeigt.</translation>
    </message>
    <message>
        <source>Sheet</source>
        <translation>Blatt</translation>
    </message>
    <message>
        <source>PDF, or PNG with 300 dots per inch.</source>
        <translation>PDF, oder PNG mit 300 Punkten je Zoll.</translation>
    </message>
    <message>
        <source>Process a survey register</source>
        <translation>Ein Verzeichnis von Messflächen verarbeiten</translation>
    </message>
    <message>
        <source>Survey</source>
        <translation>Prospektion</translation>
    </message>
    <message>
        <source>Takes a whole survey from raw logs to maps, report and project in one run.</source>
        <translation>Bringt eine ganze Prospektion in einem Lauf von den rohen Messdateien zu Karten, Bericht und Projekt.</translation>
    </message>
    <message>
        <source>&lt;p&gt;All grids are read, compared with the notes, placed, corrected and interpolated as neighbours of each other. A grid that fails is explained and counted; the others are finished. The recipe that is written repeats the run.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Alle Messflächen werden gelesen, mit den Notizen verglichen, verortet, berichtigt und als Nachbarn interpoliert. Eine Messfläche, die misslingt, wird erklärt und gezählt; die anderen werden fertig. Das Rezept, das dabei entsteht, wiederholt den Lauf.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>Register</source>
        <translation>Verzeichnis</translation>
    </message>
    <message>
        <source>A row a grid: grid, log, length_m, width_m, spacing_m, readings_per_m ...</source>
        <translation>Eine Zeile je Messfläche: grid, log, length_m, width_m, spacing_m, readings_per_m ...</translation>
    </message>
    <message>
        <source>Points, or a table with x and y or Easting and Northing: grid, corner. Two or more a grid.</source>
        <translation>Punkte oder eine Tabelle mit x und y oder Easting und Northing: grid, corner. Zwei oder mehr je Messfläche.</translation>
    </message>
    <message>
        <source>A row a remark: grid, line, kind ...</source>
        <translation>Eine Zeile je Bemerkung: grid, line, kind ...</translation>
    </message>
    <message>
        <source>Folder of the logs</source>
        <translation>Ordner der Messdateien</translation>
    </message>
    <message>
        <source>What paths in the register are relative to; its own folder when left empty.</source>
        <translation>Worauf sich die Pfade im Verzeichnis beziehen; dessen eigener Ordner, wenn leer.</translation>
    </message>
    <message>
        <source>Recipe</source>
        <translation>Rezept</translation>
    </message>
    <message>
        <source>A recipe.json of an earlier run; the default corrections when left empty.</source>
        <translation>Eine recipe.json eines früheren Laufs; die Standardberichtigungen, wenn leer.</translation>
    </message>
    <message>
        <source>Names separated by semicolons; all when left empty.</source>
        <translation>Namen, durch Semikolon getrennt; alle, wenn leer.</translation>
    </message>
    <message>
        <source>Half the smallest spacing, or as the recipe says, when left empty.</source>
        <translation>Der halbe kleinste Linienabstand, oder wie das Rezept sagt, wenn leer.</translation>
    </message>
    <message>
        <source>Projected, in metres. Empty = as in the recipe, or as the corners.</source>
        <translation>Projiziert, in Metern. Leer = wie im Rezept oder wie die Eckpunkte.</translation>
    </message>
    <message>
        <source>Output folder</source>
        <translation>Ausgabeordner</translation>
    </message>
    <message>
        <source>Maps, survey.gpkg, report, recipe and project are written here.</source>
        <translation>Karten, survey.gpkg, Bericht, Rezept und Projekt werden hierhin geschrieben.</translation>
    </message>
    <message>
        <source>Grids done</source>
        <translation>Fertige Messflächen</translation>
    </message>
    <message>
        <source>How many grids are on the map.</source>
        <translation>Wie viele Messflächen auf der Karte sind.</translation>
    </message>
    <message>
        <source>Grids failed</source>
        <translation>Misslungene Messflächen</translation>
    </message>
    <message>
        <source>How many are not; the findings say why.</source>
        <translation>Wie viele es nicht sind; die Auffälligkeiten sagen, warum.</translation>
    </message>
    <message>
        <source>Report</source>
        <translation>Bericht</translation>
    </message>
    <message>
        <source>Path of report.html.</source>
        <translation>Pfad von report.html.</translation>
    </message>
    <message>
        <source>Many files of one layout</source>
        <translation>Viele Dateien eines Aufbaus</translation>
    </message>
    <message>
        <source>Name of the grid, when all logs are of one and do not name it.</source>
        <translation>Name der Messfläche, wenn alle Messdateien zu einer gehören und ihn nicht nennen.</translation>
    </message>
    <message>
        <source>Layout of the logs</source>
        <translation>Aufbau der Messdateien</translation>
    </message>
    <message>
        <source>The layout that all the logs have, as &apos;Read traverse log&apos; writes it.</source>
        <translation>Der Aufbau, den alle Messdateien haben, wie ihn &apos;Messdatei lesen&apos; schreibt.</translation>
    </message>
    <message>
        <source>Text files as the logger wrote them.</source>
        <translation>Textdateien, wie sie das Gerät geschrieben hat.</translation>
    </message>
    <message>
        <source>Files</source>
        <translation>Dateien</translation>
    </message>
    <message>
        <source>Reads all logs of a logger set-up into one table, for a crew that comes home with a folder of them, and counts what is in each file: grids, lines, readings, and when the first and the last of them was taken. The readings go on to &apos;Compare log with field notes&apos; and &apos;Place readings on the ground&apos;, grid by grid.</source>
        <translation>Liest alle Messdateien einer Geräteeinstellung in eine Tabelle, für Leute, die mit einem Ordner voll davon nach Hause kommen, und zählt, was in jeder ist: Messflächen, Linien, Messungen, und wann die erste und die letzte war. Die Messungen gehen weiter an &apos;Messdatei mit Feldnotizen vergleichen&apos; und &apos;Messungen an ihren Ort setzen&apos;, Messfläche um Messfläche.</translation>
    </message>
    <message>
        <source>A row a file and grid: lines, readings, readings out of use, and the times of the first and the last.</source>
        <translation>Eine Zeile je Datei und Messfläche: Linien, Messungen, Messungen außer Gebrauch und die Zeiten der ersten und der letzten.</translation>
    </message>
    <message>
        <source>A row a reading, in the order of the logs; not placed yet.</source>
        <translation>Eine Zeile je Messung, in der Reihenfolge der Messdateien; noch ohne Ort.</translation>
    </message>
    <message>
        <source>Cell size (m)</source>
        <translation>Zellgröße (m)</translation>
    </message>
    <message>
        <source>Name of the channel to map, as in the log.</source>
        <translation>Name des Kanals, der kartiert wird, wie in der Messdatei.</translation>
    </message>
    <message>
        <source>Points or a table with x and y: grid, corner (start, baseline, opposite, head).</source>
        <translation>Punkte oder eine Tabelle mit x und y: grid, corner (start, baseline, opposite, head).</translation>
    </message>
    <message>
        <source>Name of the grid, as in the notes and corners.</source>
        <translation>Name der Messfläche, wie in Notizen und Eckpunkten.</translation>
    </message>
    <message>
        <source>A layout as &apos;Read traverse log&apos; writes it; found out when left empty.</source>
        <translation>Ein Aufbau, wie ihn &apos;Messdatei lesen&apos; schreibt; wird ermittelt, wenn leer.</translation>
    </message>
    <message>
        <source>Length along the traverses (m)</source>
        <translation>Länge entlang der Messlinien (m)</translation>
    </message>
    <message>
        <source>Readings a metre (1/m)</source>
        <translation>Messungen je Meter (1/m)</translation>
    </message>
    <message>
        <source>Spacing of the traverses (m)</source>
        <translation>Abstand der Messlinien (m)</translation>
    </message>
    <message>
        <source>Width along the baseline (m)</source>
        <translation>Breite entlang der Grundlinie (m)</translation>
    </message>
    <message>
        <source>Corrected readings</source>
        <translation>Berichtigte Messungen</translation>
    </message>
    <message>
        <source>From the logs of one grid to a corrected map: read, compare with the notes, place, flag outliers, align, balance, interpolate. Open it in the model designer to change a step.</source>
        <translation>Von den Messdateien einer Messfläche zu einer berichtigten Karte: lesen, mit den Notizen vergleichen, verorten, Ausreißer kennzeichnen, ausrichten, ausgleichen, interpolieren. In der Modellierung öffnen, um einen Schritt zu ändern.</translation>
    </message>
    <message>
        <source>Placed and corrected readings, with the values as logged beside them.</source>
        <translation>Verortete und berichtigte Messungen, mit den gemessenen Werten daneben.</translation>
    </message>
    <message>
        <source>What in the log disagrees with the notes or with the scheme.</source>
        <translation>Was in der Messdatei den Notizen oder dem Plan widerspricht.</translation>
    </message>
    <message>
        <source>The channel as a north-up raster.</source>
        <translation>Der Kanal als genordetes Raster.</translation>
    </message>
    <message>
        <source>Channel on the sheet</source>
        <translation>Kanal auf dem Blatt</translation>
    </message>
    <message>
        <source>Name of the channel, as in the log or its layout.</source>
        <translation>Name des Kanals, wie in der Messdatei oder ihrem Aufbau.</translation>
    </message>
    <message>
        <source>Map sheet</source>
        <translation>Kartenblatt</translation>
    </message>
    <message>
        <source>From the register of a site to a page to scale: processes every grid, then puts one channel on a map sheet, as corrected and as logged beside each other, with the outlines of the grids. Maps of all channels, readings, report and recipe are in the output folder.</source>
        <translation>Vom Verzeichnis eines Fundplatzes zu einem maßstäblichen Blatt: verarbeitet jede Messfläche und setzt dann einen Kanal auf ein Kartenblatt, berichtigt und wie gemessen nebeneinander, mit den Umrissen der Messflächen. Karten aller Kanäle, Messungen, Bericht und Rezept liegen im Ausgabeordner.</translation>
    </message>
    <message>
        <source>PDF or PNG of the chosen channel.</source>
        <translation>PDF oder PNG des gewählten Kanals.</translation>
    </message>
    <message>
        <source>Reading the survey ...</source>
        <translation>Die Prospektion wird gelesen ...</translation>
    </message>
    <message>
        <source>Turnrow: reading the survey</source>
        <translation>Turnrow: die Prospektion wird gelesen</translation>
    </message>
    <message>
        <source>readings in use again</source>
        <translation>Messungen wieder in Gebrauch</translation>
    </message>
    <message>
        <source>void</source>
        <translation>ungültig</translation>
    </message>
    <message>
        <source>in use</source>
        <translation>in Gebrauch</translation>
    </message>
    <message>
        <source>walked the other way</source>
        <translation>andersherum begangen</translation>
    </message>
    <message>
        <source>as noted</source>
        <translation>wie notiert</translation>
    </message>
    <message>
        <source>Grid {grid}: {channel} ({kind})</source>
        <translation>Messfläche {grid}: {channel} ({kind})</translation>
    </message>
    <message>
        <source>logged</source>
        <translation>gemessen</translation>
    </message>
    <message>
        <source>corrected</source>
        <translation>berichtigt</translation>
    </message>
    <message>
        <source>from station {station:g}</source>
        <translation>ab Station {station:g}</translation>
    </message>
    <message>
        <source>Turnrow: grid {grid} again</source>
        <translation>Turnrow: Messfläche {grid} noch einmal</translation>
    </message>
    <message>
        <source>The changes are kept in {path}.</source>
        <translation>Die Änderungen sind in {path} aufbewahrt.</translation>
    </message>
    <message>
        <source>readings flagged {flag}</source>
        <translation>Messungen gekennzeichnet als {flag}</translation>
    </message>
    <message>
        <source>{n} grids are open.</source>
        <translation>{n} Messflächen sind geöffnet.</translation>
    </message>
    <message>
        <source>Grid {grid} is processed again. Its levels are its own until the whole survey is processed.</source>
        <translation>Messfläche {grid} ist neu verarbeitet. Sie steht auf ihrem eigenen Niveau, bis die ganze Prospektion verarbeitet wird.</translation>
    </message>
    <message>
        <source>{what} Undo the change.</source>
        <translation>{what} Die Änderung rückgängig machen.</translation>
    </message>
    <message>
        <source>What disagrees, and what to do. Click to see the line.</source>
        <translation>Was nicht stimmt und was zu tun ist. Klicken, um die Linie zu sehen.</translation>
    </message>
    <message>
        <source>Lines of the grid. Hold Ctrl or Shift to show several together; the first is worked on.</source>
        <translation>Linien der Messfläche. Mit Strg oder Umschalt mehrere zusammen zeigen; an der ersten wird gearbeitet.</translation>
    </message>
    <message>
        <source>Grids of the survey</source>
        <translation>Messflächen der Prospektion</translation>
    </message>
    <message>
        <source>Grids, how far each is, and its findings.</source>
        <translation>Messflächen, wie weit jede ist, und ihre Auffälligkeiten.</translation>
    </message>
    <message>
        <source>Lines of the grid</source>
        <translation>Linien der Messfläche</translation>
    </message>
    <message>
        <source>out</source>
        <translation>hin</translation>
    </message>
    <message>
        <source>back</source>
        <translation>zurück</translation>
    </message>
    <message>
        <source>State</source>
        <translation>Stand</translation>
    </message>
    <message>
        <source>Line</source>
        <translation>Linie</translation>
    </message>
    <message>
        <source>Finding</source>
        <translation>Auffälligkeit</translation>
    </message>
    <message>
        <source>Kind</source>
        <translation>Art</translation>
    </message>
    <message>
        <source>Walked</source>
        <translation>Begangen</translation>
    </message>
    <message>
        <source>In use</source>
        <translation>In Gebrauch</translation>
    </message>
    <message>
        <source>log read</source>
        <translation>Messdatei gelesen</translation>
    </message>
    <message>
        <source>notes compared</source>
        <translation>Notizen verglichen</translation>
    </message>
    <message>
        <source>placed</source>
        <translation>verortet</translation>
    </message>
    <message>
        <source>processed</source>
        <translation>verarbeitet</translation>
    </message>
    <message>
        <source>not read</source>
        <translation>nicht gelesen</translation>
    </message>
    <message>
        <source>changed</source>
        <translation>geändert</translation>
    </message>
    <message>
        <source>working ...</source>
        <translation>in Arbeit ...</translation>
    </message>
    <message>
        <source>error</source>
        <translation>Fehler</translation>
    </message>
    <message>
        <source>warning</source>
        <translation>Warnung</translation>
    </message>
    <message>
        <source>note</source>
        <translation>Hinweis</translation>
    </message>
    <message>
        <source>survey</source>
        <translation>Messung</translation>
    </message>
    <message>
        <source>redo</source>
        <translation>Wiederholung</translation>
    </message>
    <message>
        <source>dummy</source>
        <translation>Blindlinie</translation>
    </message>
    <message>
        <source>tie</source>
        <translation>Querlinie</translation>
    </message>
    <message>
        <source>base</source>
        <translation>Basis</translation>
    </message>
    <message>
        <source>obstacle</source>
        <translation>Hindernis</translation>
    </message>
    <message>
        <source>Findings: {what}</source>
        <translation>Auffälligkeiten: {what}</translation>
    </message>
    <message>
        <source>Turnrow workbench</source>
        <translation>Turnrow-Werkbank</translation>
    </message>
    <message>
        <source>Look through a survey: grids, findings, profiles, changes by hand</source>
        <translation>Eine Prospektion durchsehen: Messflächen, Auffälligkeiten, Profile, Änderungen von Hand</translation>
    </message>
    <message>
        <source>{grid} with changes, {channel} (preview)</source>
        <translation>{grid} mit Änderungen, {channel} (Vorschau)</translation>
    </message>
    <message>
        <source>Open a survey from its register</source>
        <translation>Eine Prospektion nach ihrem Verzeichnis öffnen</translation>
    </message>
    <message>
        <source>A row a grid: name, log, size, line spacing.</source>
        <translation>Eine Zeile je Messfläche: Name, Messdatei, Größe, Linienabstand.</translation>
    </message>
    <message>
        <source>A row a corner of a grid, with its place.</source>
        <translation>Eine Zeile je Eckpunkt einer Messfläche, mit seinem Ort.</translation>
    </message>
    <message>
        <source>A row a remark about a line. May stay empty.</source>
        <translation>Eine Zeile je Bemerkung zu einer Linie. Darf leer bleiben.</translation>
    </message>
    <message>
        <source>What paths in the register start from; its own folder when empty.</source>
        <translation>Wovon die Pfade im Verzeichnis ausgehen; dessen eigener Ordner, wenn leer.</translation>
    </message>
    <message>
        <source>as the corners have it</source>
        <translation>wie die Eckpunkte</translation>
    </message>
    <message>
        <source>In metres. As the corners have it when not set.</source>
        <translation>In Metern. Wie die Eckpunkte, wenn nicht gesetzt.</translation>
    </message>
    <message>
        <source>register</source>
        <translation>Verzeichnis</translation>
    </message>
    <message>
        <source>corners</source>
        <translation>Eckpunkte</translation>
    </message>
    <message>
        <source>Still to choose: {what}.</source>
        <translation>Noch zu wählen: {what}.</translation>
    </message>
    <message>
        <source>Show the lines on both sides in grey.</source>
        <translation>Die Linien beiderseits in Grau zeigen.</translation>
    </message>
    <message>
        <source>Reading under the pointer</source>
        <translation>Messung unter dem Zeiger</translation>
    </message>
    <message>
        <source>Profile</source>
        <translation>Profil</translation>
    </message>
    <message>
        <source>Whole grid</source>
        <translation>Ganze Messfläche</translation>
    </message>
    <message>
        <source>What is shown</source>
        <translation>Was gezeigt wird</translation>
    </message>
    <message>
        <source>Which channel is shown.</source>
        <translation>Welcher Kanal gezeigt wird.</translation>
    </message>
    <message>
        <source>Axis</source>
        <translation>Achse</translation>
    </message>
    <message>
        <source>Over distance or over time.</source>
        <translation>Über den Weg oder über die Zeit.</translation>
    </message>
    <message>
        <source>Neighbours</source>
        <translation>Nachbarn</translation>
    </message>
    <message>
        <source>Pictures</source>
        <translation>Bilder</translation>
    </message>
    <message>
        <source>Everything</source>
        <translation>Alles</translation>
    </message>
    <message>
        <source>Zoom out to the whole line (or double-click).</source>
        <translation>Auf die ganze Linie verkleinern (oder Doppelklick).</translation>
    </message>
    <message>
        <source>Picture ...</source>
        <translation>Bild ...</translation>
    </message>
    <message>
        <source>Save the whole grid&apos;s lines as a PNG picture.</source>
        <translation>Die Linien der ganzen Messfläche als PNG-Bild speichern.</translation>
    </message>
    <message>
        <source>Changes by hand</source>
        <translation>Änderungen von Hand</translation>
    </message>
    <message>
        <source>Flag</source>
        <translation>Kennzeichnen</translation>
    </message>
    <message>
        <source>What readings are flagged as.</source>
        <translation>Als was Messungen gekennzeichnet werden.</translation>
    </message>
    <message>
        <source>This line</source>
        <translation>Diese Linie</translation>
    </message>
    <message>
        <source>Undo</source>
        <translation>Rückgängig</translation>
    </message>
    <message>
        <source>Nothing to undo.</source>
        <translation>Nichts rückgängig zu machen.</translation>
    </message>
    <message>
        <source>Redo</source>
        <translation>Wiederherstellen</translation>
    </message>
    <message>
        <source>Nothing to redo.</source>
        <translation>Nichts wiederherzustellen.</translation>
    </message>
    <message>
        <source>Save the picture</source>
        <translation>Das Bild speichern</translation>
    </message>
    <message>
        <source>over distance</source>
        <translation>über den Weg</translation>
    </message>
    <message>
        <source>over time</source>
        <translation>über die Zeit</translation>
    </message>
    <message>
        <source>Move</source>
        <translation>Verschieben</translation>
    </message>
    <message>
        <source>Drag moves the picture, the wheel zooms along, Ctrl and the wheel up.</source>
        <translation>Ziehen verschiebt das Bild, das Mausrad zoomt entlang, Strg und Mausrad in der Höhe.</translation>
    </message>
    <message>
        <source>Drag over readings to take them out of use.</source>
        <translation>Über Messungen ziehen, um sie außer Gebrauch zu nehmen.</translation>
    </message>
    <message>
        <source>Unflag</source>
        <translation>Lösen</translation>
    </message>
    <message>
        <source>Drag over readings to use them again.</source>
        <translation>Über Messungen ziehen, um sie wieder zu gebrauchen.</translation>
    </message>
    <message>
        <source>outlier</source>
        <translation>Ausreißer</translation>
    </message>
    <message>
        <source>Void</source>
        <translation>Ungültig</translation>
    </message>
    <message>
        <source>Use no reading of this line.</source>
        <translation>Keine Messung dieser Linie verwenden.</translation>
    </message>
    <message>
        <source>Use this line as one of the survey.</source>
        <translation>Diese Linie als Linie der Prospektion verwenden.</translation>
    </message>
    <message>
        <source>Walked the other way</source>
        <translation>Andersherum begangen</translation>
    </message>
    <message>
        <source>Turn the line end to end.</source>
        <translation>Die Linie umdrehen.</translation>
    </message>
    <message>
        <source>Starts at station ...</source>
        <translation>Beginnt bei Station ...</translation>
    </message>
    <message>
        <source>Shift the line along.</source>
        <translation>Die Linie der Länge nach verschieben.</translation>
    </message>
    <message>
        <source>As noted</source>
        <translation>Wie notiert</translation>
    </message>
    <message>
        <source>Take back every change of this line.</source>
        <translation>Alle Änderungen dieser Linie zurücknehmen.</translation>
    </message>
    <message>
        <source>Station of the first reading (as logged: {station:g}):</source>
        <translation>Station der ersten Messung (wie gemessen: {station:g}):</translation>
    </message>
    <message>
        <source>Nothing here.</source>
        <translation>Hier ist nichts.</translation>
    </message>
    <message>
        <source>logged {value:.2f} {unit}</source>
        <translation>gemessen {value:.2f} {unit}</translation>
    </message>
    <message>
        <source>corrected {value:.2f} {unit}</source>
        <translation>berichtigt {value:.2f} {unit}</translation>
    </message>
    <message>
        <source>As logged</source>
        <translation>Wie gemessen</translation>
    </message>
    <message>
        <source>Show the values as the logger wrote them.</source>
        <translation>Die Werte zeigen, wie sie das Gerät geschrieben hat.</translation>
    </message>
    <message>
        <source>Corrected</source>
        <translation>Berichtigt</translation>
    </message>
    <message>
        <source>Show the values after all corrections.</source>
        <translation>Die Werte nach allen Berichtigungen zeigen.</translation>
    </message>
    <message>
        <source>Change</source>
        <translation>Änderung</translation>
    </message>
    <message>
        <source>Show, below, what the corrections changed.</source>
        <translation>Darunter zeigen, was die Berichtigungen geändert haben.</translation>
    </message>
    <message>
        <source>{path} cannot be written. Choose another place.</source>
        <translation>{path} kann nicht geschrieben werden. Einen anderen Ort wählen.</translation>
    </message>
    <message>
        <source>station {station:g}</source>
        <translation>Station {station:g}</translation>
    </message>
    <message>
        <source>Choose a line to see its readings.</source>
        <translation>Eine Linie wählen, um ihre Messungen zu sehen.</translation>
    </message>
    <message>
        <source>These readings have no time. Look at them over distance.</source>
        <translation>Diese Messungen haben keine Zeit. Über den Weg ansehen.</translation>
    </message>
    <message>
        <source>These readings have no place. Look at them over time.</source>
        <translation>Diese Messungen haben keinen Ort. Über die Zeit ansehen.</translation>
    </message>
    <message>
        <source>change</source>
        <translation>Änderung</translation>
    </message>
    <message>
        <source>Along the traverse, v (m)</source>
        <translation>Entlang der Messlinie, v (m)</translation>
    </message>
    <message>
        <source>Time of day</source>
        <translation>Uhrzeit</translation>
    </message>
    <message>
        <source>as logged</source>
        <translation>wie gemessen</translation>
    </message>
    <message>
        <source>neighbours</source>
        <translation>Nachbarn</translation>
    </message>
    <message>
        <source>{grid}, line {line}</source>
        <translation>{grid}, Linie {line}</translation>
    </message>
    <message>
        <source> (recording {run})</source>
        <translation> (Aufzeichnung {run})</translation>
    </message>
    <message>
        <source>line {line}</source>
        <translation>Linie {line}</translation>
    </message>
    <message>
        <source>Baseline, u (m)</source>
        <translation>Grundlinie, u (m)</translation>
    </message>
    <message>
        <source>Stacked profiles of a grid</source>
        <translation>Gestapelte Profile einer Messfläche</translation>
    </message>
    <message>
        <source>Every line of the grid at its place. Click on a line to see it in the profile.</source>
        <translation>Jede Linie der Messfläche an ihrem Ort. Auf eine Linie klicken, um sie im Profil zu sehen.</translation>
    </message>
    <message>
        <source>Choose a grid to see its lines.</source>
        <translation>Eine Messfläche wählen, um ihre Linien zu sehen.</translation>
    </message>
    <message>
        <source>Open a survey to begin.</source>
        <translation>Zum Anfangen eine Prospektion öffnen.</translation>
    </message>
    <message>
        <source>Message</source>
        <translation>Meldung</translation>
    </message>
    <message>
        <source>Progress</source>
        <translation>Fortschritt</translation>
    </message>
    <message>
        <source>Stop</source>
        <translation>Abbrechen</translation>
    </message>
    <message>
        <source>Stop the work that is under way.</source>
        <translation>Die laufende Arbeit abbrechen.</translation>
    </message>
    <message>
        <source>Folder of a processed survey</source>
        <translation>Ordner einer verarbeiteten Prospektion</translation>
    </message>
    <message>
        <source>Recipe that keeps the changes</source>
        <translation>Rezept, das die Änderungen aufbewahrt</translation>
    </message>
    <message>
        <source>Recipes (*.json)</source>
        <translation>Rezepte (*.json)</translation>
    </message>
    <message>
        <source>The changes by hand are not kept in a recipe yet. Keep them?</source>
        <translation>Die Änderungen von Hand sind noch in keinem Rezept aufbewahrt. Aufbewahren?</translation>
    </message>
    <message>
        <source>Stopped.</source>
        <translation>Abgebrochen.</translation>
    </message>
    <message>
        <source>Open processed survey ...</source>
        <translation>Verarbeitete Prospektion öffnen ...</translation>
    </message>
    <message>
        <source>Open the folder that a survey was processed into.</source>
        <translation>Den Ordner öffnen, in den eine Prospektion verarbeitet wurde.</translation>
    </message>
    <message>
        <source>Open register ...</source>
        <translation>Verzeichnis öffnen ...</translation>
    </message>
    <message>
        <source>Open a survey that was not processed yet.</source>
        <translation>Eine Prospektion öffnen, die noch nicht verarbeitet wurde.</translation>
    </message>
    <message>
        <source>Keep changes ...</source>
        <translation>Änderungen aufbewahren ...</translation>
    </message>
    <message>
        <source>Keep the changes by hand in a recipe.</source>
        <translation>Die Änderungen von Hand in einem Rezept aufbewahren.</translation>
    </message>
    <message>
        <source>Process the survey ...</source>
        <translation>Die Prospektion verarbeiten ...</translation>
    </message>
    <message>
        <source>Write maps and report of the whole survey with the recipe.</source>
        <translation>Karten und Bericht der ganzen Prospektion nach dem Rezept schreiben.</translation>
    </message>
    <message>
        <source>Line on the map</source>
        <translation>Linie auf der Karte</translation>
    </message>
    <message>
        <source>Click on the map to see the line that was walked there.</source>
        <translation>Auf die Karte klicken, um die Linie zu sehen, die dort begangen wurde.</translation>
    </message>
    <message>
        <source>No line was walked there.</source>
        <translation>Dort wurde keine Linie begangen.</translation>
    </message>
    <message>
        <source>Inputs</source>
        <translation>Eingaben</translation>
    </message>
    <message>
        <source>Outputs</source>
        <translation>Ausgaben</translation>
    </message>
    <message>
        <source>Turnrow needs the Python package scipy. Install it into QGIS&apos;s Python and start again.</source>
        <translation>Turnrow braucht das Python-Paket scipy. In QGIS&apos; Python installieren und neu starten.</translation>
    </message>
    <message>
        <source>Turnrow: electromagnetic surveys over archaeological sites</source>
        <translation>Turnrow: elektromagnetische Prospektion auf archäologischen Fundplätzen</translation>
    </message>
    <message>
        <source>{count} maps are in greys now.</source>
        <translation>{count} Karten sind jetzt in Grau.</translation>
    </message>
    <message>
        <source>{count} maps are in their colours again.</source>
        <translation>{count} Karten sind wieder in ihren Farben.</translation>
    </message>
    <message>
        <source>The project holds no map whose band carries the name of a channel. Add the maps of a processed survey, or process one.</source>
        <translation>Im Projekt ist keine Karte, deren Kanal den Namen eines Messkanals trägt. Die Karten einer verarbeiteten Prospektion hinzufügen, oder eine verarbeiten.</translation>
    </message>
    <message>
        <source>{channel}: {count} maps from {low:.4g} to {high:.4g} {unit}</source>
        <translation>{channel}: {count} Karten von {low:.4g} bis {high:.4g} {unit}</translation>
    </message>
    <message>
        <source>Mark grid corners</source>
        <translation>Eckpunkte einer Messfläche setzen</translation>
    </message>
    <message>
        <source>Grid {grid} has corners in {layer} already. Give the new grid another name.</source>
        <translation>Messfläche {grid} hat schon Eckpunkte in {layer}. Der neuen Messfläche einen anderen Namen geben.</translation>
    </message>
    <message>
        <source>The layer {layer} takes no corners: {reason} Choose a new layer.</source>
        <translation>Der Layer {layer} nimmt keine Eckpunkte auf: {reason} Einen neuen Layer wählen.</translation>
    </message>
    <message>
        <source>The corners have no place in the CRS of {layer}. Choose another layer.</source>
        <translation>Die Eckpunkte haben keinen Ort im KBS von {layer}. Einen anderen Layer wählen.</translation>
    </message>
    <message>
        <source>it cannot be edited.</source>
        <translation>er kann nicht bearbeitet werden.</translation>
    </message>
    <message>
        <source>Backspace takes the last one back.</source>
        <translation>Die Rücktaste nimmt den letzten zurück.</translation>
    </message>
    <message>
        <source>Right click when these are all.</source>
        <translation>Rechtsklick, wenn das alle sind.</translation>
    </message>
    <message>
        <source>Click the corner {corner} of the grid.</source>
        <translation>Auf den Eckpunkt {corner} der Messfläche klicken.</translation>
    </message>
    <message>
        <source>{length:.2f} m from {corner}.</source>
        <translation>{length:.2f} m von {corner}.</translation>
    </message>
    <message>
        <source>New layer</source>
        <translation>Neuer Layer</translation>
    </message>
    <message>
        <source>Give the grid a name.</source>
        <translation>Der Messfläche einen Namen geben.</translation>
    </message>
    <message>
        <source>The name of the grid, as it stands in register and notes.</source>
        <translation>Der Name der Messfläche, wie er in Verzeichnis und Notizen steht.</translation>
    </message>
    <message>
        <source>Layer of corners</source>
        <translation>Layer der Eckpunkte</translation>
    </message>
    <message>
        <source>Where the corners are kept.</source>
        <translation>Wo die Eckpunkte aufbewahrt werden.</translation>
    </message>
    <message>
        <source>This layer holds a grid of that name already. Give another name.</source>
        <translation>In diesem Layer ist schon eine Messfläche dieses Namens. Einen anderen Namen geben.</translation>
    </message>
    <message>
        <source>Check these with a tape, and length and width in the register.</source>
        <translation>Diese mit dem Maßband nachmessen, und Länge und Breite im Verzeichnis prüfen.</translation>
    </message>
    <message>
        <source>Give length and width to hold the corners against them.</source>
        <translation>Länge und Breite angeben, um die Eckpunkte damit zu vergleichen.</translation>
    </message>
    <message>
        <source>{one} to {other} by {off:+.2f} m</source>
        <translation>{one} bis {other} um {off:+.2f} m</translation>
    </message>
    <message>
        <source>Measure the corner {corner} again: all of these meet there.</source>
        <translation>Den Eckpunkt {corner} noch einmal messen: dort treffen sich alle diese.</translation>
    </message>
    <message>
        <source>Off by more than {limit:.2f} m: {which}.</source>
        <translation>Um mehr als {limit:.2f} m daneben: {which}.</translation>
    </message>
    <message>
        <source>Sides and diagonals agree with the size of the grid to {limit:.2f} m.</source>
        <translation>Seiten und Diagonalen stimmen auf {limit:.2f} m mit der Größe der Messfläche überein.</translation>
    </message>
    <message>
        <source>Side {corners}</source>
        <translation>Seite {corners}</translation>
    </message>
    <message>
        <source>Diagonal {corners}</source>
        <translation>Diagonale {corners}</translation>
    </message>
    <message>
        <source>Residual of {corners}</source>
        <translation>Restabweichung von {corners}</translation>
    </message>
    <message>
        <source>Measure a grid</source>
        <translation>Eine Messfläche nachmessen</translation>
    </message>
    <message>
        <source>not known</source>
        <translation>nicht bekannt</translation>
    </message>
    <message>
        <source>Sides, diagonals, residuals and angle</source>
        <translation>Seiten, Diagonalen, Restabweichungen und Winkel</translation>
    </message>
    <message>
        <source>Where the corners are.</source>
        <translation>Wo die Eckpunkte sind.</translation>
    </message>
    <message>
        <source>The grid that is measured.</source>
        <translation>Die Messfläche, die nachgemessen wird.</translation>
    </message>
    <message>
        <source>What the grid should measure; 0 when not known.</source>
        <translation>Was die Messfläche messen soll; 0, wenn nicht bekannt.</translation>
    </message>
    <message>
        <source>What</source>
        <translation>Was</translation>
    </message>
    <message>
        <source>Measured</source>
        <translation>Gemessen</translation>
    </message>
    <message>
        <source>Should be</source>
        <translation>Soll</translation>
    </message>
    <message>
        <source>Off by</source>
        <translation>Abweichung</translation>
    </message>
    <message>
        <source>The project holds no corners yet. Mark the corners of a grid first.</source>
        <translation>Im Projekt sind noch keine Eckpunkte. Zuerst die Eckpunkte einer Messfläche setzen.</translation>
    </message>
    <message>
        <source>Angle at the start corner</source>
        <translation>Winkel am Anfangseckpunkt</translation>
    </message>
    <message>
        <source> to </source>
        <translation> bis </translation>
    </message>
    <message>
        <source>Click on the map where the four corners of the image lie.</source>
        <translation>Auf der Karte dorthin klicken, wo die vier Ecken des Bildes liegen.</translation>
    </message>
    <message>
        <source>Place a plan image</source>
        <translation>Ein Planbild einpassen</translation>
    </message>
    <message>
        <source>Plan image</source>
        <translation>Planbild</translation>
    </message>
    <message>
        <source>Turn and scale (2 points or more)</source>
        <translation>Drehen und Maßstab (2 Punkte oder mehr)</translation>
    </message>
    <message>
        <source>Turn, scale and skew (3 points or more)</source>
        <translation>Drehen, Maßstab und Scherung (3 Punkte oder mehr)</translation>
    </message>
    <message>
        <source>Corners of the image</source>
        <translation>Ecken des Bildes</translation>
    </message>
    <message>
        <source>Take point away</source>
        <translation>Punkt wegnehmen</translation>
    </message>
    <message>
        <source>Take the chosen point away, or the last.</source>
        <translation>Den gewählten Punkt wegnehmen, oder den letzten.</translation>
    </message>
    <message>
        <source>Write the placed image beside the image and show it.</source>
        <translation>Das eingepasste Bild neben das Bild schreiben und zeigen.</translation>
    </message>
    <message>
        <source>These points fit whatever they are: one more would check them.</source>
        <translation>Diese Punkte passen auf jeden Fall: einer mehr würde sie prüfen.</translation>
    </message>
    <message>
        <source>Choose the image of a plan.</source>
        <translation>Das Bild eines Plans wählen.</translation>
    </message>
    <message>
        <source>Click a point on the image, then the same point on the map.</source>
        <translation>Auf einen Punkt im Bild klicken, dann auf denselben Punkt auf der Karte.</translation>
    </message>
    <message>
        <source>Click on the map where the marked point of the image is.</source>
        <translation>Auf der Karte dorthin klicken, wo der markierte Punkt des Bildes ist.</translation>
    </message>
    <message>
        <source>On the image</source>
        <translation>Im Bild</translation>
    </message>
    <message>
        <source>On the map</source>
        <translation>Auf der Karte</translation>
    </message>
    <message>
        <source>Residual</source>
        <translation>Restabweichung</translation>
    </message>
    <message>
        <source>A scan or photograph of a plan, without a place on the map.</source>
        <translation>Ein Scan oder Foto eines Plans, ohne Ort auf der Karte.</translation>
    </message>
    <message>
        <source>How it is fitted</source>
        <translation>Wie es eingepasst wird</translation>
    </message>
    <message>
        <source>Skew only where the scan itself is skewed.</source>
        <translation>Scherung nur, wo der Scan selbst verzogen ist.</translation>
    </message>
    <message>
        <source>Points</source>
        <translation>Punkte</translation>
    </message>
    <message>
        <source>Where the points are, and how far the fit leaves each from its place.</source>
        <translation>Wo die Punkte sind, und wie weit die Einpassung jeden von seinem Ort lässt.</translation>
    </message>
    <message>
        <source>Image</source>
        <translation>Bild</translation>
    </message>
    <message>
        <source>Click a point here, then the same point on the map.</source>
        <translation>Hier auf einen Punkt klicken, dann auf denselben Punkt auf der Karte.</translation>
    </message>
    <message>
        <source>This file is no image that can be read. Give a PNG, JPEG or TIFF file.</source>
        <translation>Diese Datei ist kein lesbares Bild. Eine PNG-, JPEG- oder TIFF-Datei angeben.</translation>
    </message>
    <message>
        <source>A pixel is {side:.4g} m.</source>
        <translation>Ein Pixel misst {side:.4g} m.</translation>
    </message>
    <message>
        <source>Click on the map where the marked corner is; {count} to go.</source>
        <translation>Auf der Karte dorthin klicken, wo die markierte Ecke ist; noch {count}.</translation>
    </message>
    <message>
        <source>{name} was written beside the image; the points agree to {off:.3f} m.</source>
        <translation>{name} wurde neben das Bild geschrieben; die Punkte stimmen auf {off:.3f} m überein.</translation>
    </message>
    <message>
        <source>Point {number} is {off:.2f} m off. Click it again, or take it away.</source>
        <translation>Punkt {number} liegt {off:.2f} m daneben. Noch einmal anklicken oder wegnehmen.</translation>
    </message>
    <message>
        <source>The points agree to {off:.3f} m.</source>
        <translation>Die Punkte stimmen auf {off:.3f} m überein.</translation>
    </message>
    <message>
        <source>These points do not hold the image. Choose points farther apart.</source>
        <translation>Diese Punkte halten das Bild nicht. Punkte wählen, die weiter auseinander liegen.</translation>
    </message>
    <message>
        <source>By these points the image would lie mirrored on the map. Two of them are exchanged: check the pairs.</source>
        <translation>Nach diesen Punkten läge das Bild gespiegelt auf der Karte. Zwei davon sind vertauscht: die Paare prüfen.</translation>
    </message>
    <message>
        <source>image</source>
        <translation>Bild</translation>
    </message>
    <message>
        <source>map</source>
        <translation>Karte</translation>
    </message>
    <message>
        <source>plan image</source>
        <translation>Planbild</translation>
    </message>
    <message>
        <source>{count} points are given; this needs {needed} or more. Click one more point on image and map.</source>
        <translation>{count} Punkte sind gegeben; dies braucht {needed} oder mehr. Noch einen Punkt im Bild und auf der Karte anklicken.</translation>
    </message>
    <message>
        <source>The image {name} cannot be read. Give a PNG, JPEG or TIFF file.</source>
        <translation>Das Bild {name} kann nicht gelesen werden. Eine PNG-, JPEG- oder TIFF-Datei angeben.</translation>
    </message>
    <message>
        <source>The points lie at one place or on one line of the {where}. Choose points spread over the plan.</source>
        <translation>Die Punkte liegen an einem Ort oder auf einer Geraden ({where}). Punkte wählen, die über den Plan verteilt sind.</translation>
    </message>
    <message>
        <source>Grid {grid}: {count} corners are in the layer {layer}.</source>
        <translation>Messfläche {grid}: {count} Eckpunkte sind im Layer {layer}.</translation>
    </message>
    <message>
        <source>Same colours for all</source>
        <translation>Gleiche Farben für alle</translation>
    </message>
    <message>
        <source>Give all maps of a channel one range, so that their colours can be compared.</source>
        <translation>Allen Karten eines Kanals einen Bereich geben, sodass ihre Farben vergleichbar sind.</translation>
    </message>
    <message>
        <source>Grey for print</source>
        <translation>Grau für den Druck</translation>
    </message>
    <message>
        <source>Show the maps in greys with the ranges they have, and back.</source>
        <translation>Die Karten in Grau zeigen, mit ihren Bereichen, und zurück.</translation>
    </message>
    <message>
        <source>Click the corners of a grid: start, baseline, opposite, head. Points of layers catch the click.</source>
        <translation>Auf die Eckpunkte einer Messfläche klicken: start, baseline, opposite, head. Punkte von Layern fangen den Klick.</translation>
    </message>
    <message>
        <source>Hold sides, diagonals and corners of a grid against its size.</source>
        <translation>Seiten, Diagonalen und Eckpunkte einer Messfläche mit ihrer Größe vergleichen.</translation>
    </message>
    <message>
        <source>Place a scanned excavation plan on the map by points.</source>
        <translation>Einen gescannten Grabungsplan nach Punkten auf die Karte einpassen.</translation>
    </message>
    <message>
        <source>Placed readings of one or several grids; any points for minimum curvature and kriging.</source>
        <translation>Platzierte Messwerte einer oder mehrerer Messflächen; beliebige Punkte für Minimalkrümmung und Kriging.</translation>
    </message>
    <message>
        <source>Along the traverses and across them: splines (cubic), straight pieces (linear), or windowed sinc (band-limited). For points anywhere: minimum curvature or kriging.</source>
        <translation>Entlang der Messlinien und quer dazu: Splines (cubic), gerade Stücke (linear) oder gefensterter Sinc (bandbegrenzt). Für beliebige Punkte: Minimalkrümmung (minimum curvature) oder Kriging.</translation>
    </message>
    <message>
        <source>at {position:g} m</source>
        <translation>bei {position:g} m</translation>
    </message>
    <message>
        <source>obstacle from station {first:g} to {last:g}</source>
        <translation>Hindernis von Station {first:g} bis {last:g}</translation>
    </message>
    <message>
        <source>changes of {when}</source>
        <translation>Änderungen vom {when}</translation>
    </message>
    <message>
        <source>Changes by hand of {when} were not kept in a recipe. Take them up again?</source>
        <translation>Änderungen von Hand vom {when} wurden in keinem Rezept aufbewahrt. Wieder aufnehmen?</translation>
    </message>
    <message>
        <source>An obstacle is noted by its stations and counts for every recording of the line.</source>
        <translation>Ein Hindernis wird mit seinen Stationen vermerkt und gilt für jede Aufzeichnung der Linie.</translation>
    </message>
    <message>
        <source>Change the whole line: void, direction, start, position.</source>
        <translation>Die ganze Linie ändern: ungültig, Richtung, Anfang, Lage.</translation>
    </message>
    <message>
        <source>Flag as</source>
        <translation>Kennzeichnen als</translation>
    </message>
    <message>
        <source>Position along the traverses, v (m):</source>
        <translation>Lage entlang der Messlinien, v (m):</translation>
    </message>
    <message>
        <source>Position along the baseline, u (m):</source>
        <translation>Lage entlang der Grundlinie, u (m):</translation>
    </message>
    <message>
        <source>overrange</source>
        <translation>außer Bereich</translation>
    </message>
    <message>
        <source>overrun</source>
        <translation>Überlauf</translation>
    </message>
    <message>
        <source>redone</source>
        <translation>wiederholt</translation>
    </message>
    <message>
        <source>missing</source>
        <translation>fehlend</translation>
    </message>
    <message>
        <source>unplaced</source>
        <translation>nicht verortet</translation>
    </message>
    <message>
        <source>Lies at ...</source>
        <translation>Liegt bei ...</translation>
    </message>
    <message>
        <source>Readings at one spot have no position on the map.</source>
        <translation>Messungen an einem festen Punkt haben keinen Ort auf der Karte.</translation>
    </message>
    <message>
        <source>Readings of a traverse. Left and right move from reading to reading, with Shift they choose a range, Space takes it; up and down move from line to line; the menu key opens what can be changed.</source>
        <translation>Messungen einer Messlinie. Links und rechts führen von Messung zu Messung, mit der Umschalttaste wählen sie einen Bereich, die Leertaste nimmt ihn; auf und ab führen von Linie zu Linie; die Menütaste öffnet, was sich ändern lässt.</translation>
    </message>
    <message>
        <source>Turnrow: same colours for all</source>
        <translation>Turnrow: gleiche Farben für alle</translation>
    </message>
    <message>
        <source>The survey stays open in the workbench. Its changes by hand are not kept yet.</source>
        <translation>Die Prospektion bleibt in der Werkbank geöffnet. Ihre Änderungen von Hand sind noch nicht aufbewahrt.</translation>
    </message>
    <message>
        <source>{line}: click to see it.</source>
        <translation>{line}: anklicken, um sie zu sehen.</translation>
    </message>
    <message>
        <source>Move the line along the baseline (a tie line along the traverses).</source>
        <translation>Die Linie entlang der Grundlinie verschieben (eine Querlinie entlang der Messlinien).</translation>
    </message>
    <message>
        <source>One grid: log to map</source>
        <translation>Eine Messfläche: von der Messdatei zur Karte</translation>
    </message>
    <message>
        <source>Site: register to map sheet</source>
        <translation>Fundplatz: vom Verzeichnis zum Kartenblatt</translation>
    </message>
    <message>
        <source>&lt;p&gt;Balance the traverses first. All edges are adjusted together. Grids may lie at any angle, touch along a part of an edge, overlap, or have a path of up to 2 m between them. A grid that touches no other one stays as it is and is named in the log.&lt;/p&gt;&lt;p&gt;Drift that remains within the grids makes steps that vary along an edge. It is estimated from the edges, as a smooth curve across the survey lines, and taken off too, unless the model has a slope, which takes it up; tie lines and the grid that stays are not changed by it. A bank or a ditch that runs along the lines beyond the edge makes no such step, and stays.&lt;/p&gt;&lt;p&gt;Base readings count too where all were read on one spot of the survey, at least twice a grid: they compare grids without any edge. The edges must confirm that it was one spot.&lt;/p&gt;&lt;p&gt;Look at the map where the standard error is large: a real step right on an edge, such as the side of a ditch, cannot be separated from a step between grids.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Zuerst die Messlinien ausgleichen. Alle Ränder werden zusammen ausgeglichen. Messflächen dürfen in jedem Winkel liegen, sich an einem Teil eines Randes berühren, überlappen oder einen Weg von bis zu 2 m zwischen sich haben. Eine Messfläche, die keine andere berührt, bleibt, wie sie ist, und wird im Protokoll genannt.&lt;/p&gt;&lt;p&gt;Drift, die in den Messflächen geblieben ist, macht Stufen, die sich an einem Rand entlang ändern. Sie wird aus den Rändern geschätzt, als sanfte Kurve quer über die Messlinien, und auch abgezogen, außer beim Modell mit einer Neigung, die sie aufnimmt; Querlinien und die Messfläche, die bleibt, verändert sie nicht. Ein Wall oder ein Graben, der entlang der Linien über den Rand hinaus läuft, macht keine solche Stufe und bleibt.&lt;/p&gt;&lt;p&gt;Auch Basismessungen zählen, wo alle an einer Stelle der Messung gelesen wurden, mindestens zweimal je Messfläche: sie vergleichen Messflächen ohne jeden Rand. Ob es eine Stelle war, müssen die Ränder bestätigen.&lt;/p&gt;&lt;p&gt;Die Karte ansehen, wo der Standardfehler groß ist: eine wirkliche Stufe genau auf einem Rand, etwa die Kante eines Grabens, ist von einer Stufe zwischen Messflächen nicht zu trennen.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>A constant a grid, and a drift across its lines estimated from the seams; also a gain, where the contrast along edges and in overlaps proves it; or a constant and a slope, for grids within which the level drifted.</source>
        <translation>Eine Konstante je Messfläche und eine aus den Nähten geschätzte Drift quer über ihre Linien; dazu ein Faktor, wo der Kontrast an Rändern und in Überlappungen ihn beweist; oder eine Konstante und eine Neigung, für Messflächen, in denen das Niveau driftete.</translation>
    </message>
    <message>
        <source>What was taken off each grid, and its standard error; of the drift across its lines, the standard deviation.</source>
        <translation>Was von jeder Messfläche abgezogen wurde, und dessen Standardfehler; von der Drift quer über ihre Linien die Standardabweichung.</translation>
    </message>
    <message>
        <source>&lt;p&gt;Neighbouring grids in the layer continue each other, so seams do not show. Cells too far from a reading in use are nodata. Cell edges lie at whole multiples of the cell size, so all rasters of a survey fit.&lt;/p&gt;&lt;p&gt;Cubic and sinc smooth along the traverses as far as the noise of single readings asks for, and never what is wider than about a metre; without noise the map goes through the readings. Linear always does.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Benachbarte Messflächen im Layer setzen einander fort, sodass keine Nähte zu sehen sind. Zellen zu weit von einer verwendeten Messung sind ohne Wert. Zellränder liegen auf ganzen Vielfachen der Zellgröße, sodass alle Raster einer Messung zueinander passen.&lt;/p&gt;&lt;p&gt;Cubic und sinc glätten entlang der Messlinien so weit, wie das Rauschen einzelner Messungen es verlangt, und nie, was breiter als etwa ein Meter ist; ohne Rauschen geht die Karte durch die Messwerte. Linear tut das immer.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>Check the day&apos;s survey</source>
        <translation>Messung des Tages prüfen</translation>
    </message>
    <message>
        <source>Says which lines to walk again, what to measure and what to ask, with a sheet for the crew; makes no maps.</source>
        <translation>Sagt, welche Linien noch einmal zu gehen sind, was nachzumessen und was zu fragen ist, mit einem Blatt für die Leute im Feld; macht keine Karten.</translation>
    </message>
    <message>
        <source>&lt;p&gt;All grids of the register are read and held against the notes and against themselves. Run it on the evening of the survey, or in the field. The sheet has a page a grid; the lines to walk come as a layer, as a GPX file to find the place, and as rows for the notes. Nothing is corrected, and no input is changed.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Alle Messflächen des Verzeichnisses werden gelesen und mit den Notizen und mit sich selbst verglichen. Am Abend der Messung auszuführen, oder im Feld. Das Blatt hat eine Seite je Messfläche; die Linien kommen als Layer, als GPX-Datei zum Finden der Stelle und als Zeilen für die Notizen. Nichts wird korrigiert, keine Eingabe geändert.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>Lines to walk</source>
        <translation>Zu gehende Linien</translation>
    </message>
    <message>
        <source>A line from start to end for each, sound neighbours and ties too.</source>
        <translation>Je eine Linie vom Anfang zum Ende, auch gute Nachbarlinien und Querlinien.</translation>
    </message>
    <message>
        <source>Rows for the notes</source>
        <translation>Zeilen für die Notizen</translation>
    </message>
    <message>
        <source>The lines to walk as rows of the notes; fill in the stations and add them when the lines are walked.</source>
        <translation>Die zu gehenden Linien als Zeilen der Notizen; die Stationen eintragen und anfügen, wenn die Linien gegangen sind.</translation>
    </message>
    <message>
        <source>Re-walk sheet</source>
        <translation>Blatt für die Nachmessung</translation>
    </message>
    <message>
        <source>A page a grid: walk, measure, ask the books, a sketch.</source>
        <translation>Eine Seite je Messfläche: gehen, nachmessen, in den Büchern fragen, eine Skizze.</translation>
    </message>
    <message>
        <source>GPX file</source>
        <translation>GPX-Datei</translation>
    </message>
    <message>
        <source>Starts and lines in WGS 84, for finding the place, not for pegs.</source>
        <translation>Anfänge und Linien in WGS 84, zum Finden der Stelle, nicht für Pflöcke.</translation>
    </message>
    <message>
        <source>The log is read right</source>
        <translation>Die Messdatei ist richtig gelesen</translation>
    </message>
    <message>
        <source>Check the lines although stations or times look misread.</source>
        <translation>Die Linien prüfen, obwohl Stationen oder Zeiten falsch gelesen scheinen.</translation>
    </message>
    <message>
        <source>Points or a table with x and y: grid, corner. Two or more a grid.</source>
        <translation>Punkte oder eine Tabelle mit x und y: grid, corner. Zwei oder mehr je Messfläche.</translation>
    </message>
    <message>
        <source>Add the redo rows to the notes ...</source>
        <translation>Wiederholungen in die Notizen eintragen ...</translation>
    </message>
    <message>
        <source>Add a row to the notes for each line to walk: lines to walk again, sound neighbours and ties.</source>
        <translation>Für jede zu begehende Linie eine Zeile in die Notizen eintragen: Wiederholungen, gute Nachbarlinien und Querlinien.</translation>
    </message>
    <message>
        <source>The survey was opened without notes. Open it with the table of its notes.</source>
        <translation>Die Prospektion wurde ohne Notizen geöffnet. Mit der Tabelle ihrer Notizen öffnen.</translation>
    </message>
    <message>
        <source>Add {n} rows to the notes {path}?</source>
        <translation>{n} Zeilen in die Notizen {path} eintragen?</translation>
    </message>
    <message>
        <source>Added to {path}: rows {first} to {last}. Write start and stop there when they are walked.</source>
        <translation>In {path} eingetragen: Zeilen {first} bis {last}. Anfang und Ende dazuschreiben, wenn die Linien begangen sind.</translation>
    </message>
    <message>
        <source>The notes {path} have these rows already.</source>
        <translation>Diese Zeilen stehen schon in den Notizen {path}.</translation>
    </message>
    <message>
        <source>&lt;p&gt;Without a layout the log&apos;s own is detected: delimiter, decimal mark, header and the role of each column. The log of the run names what was detected. A row that cannot be read becomes a finding; the others are read.&lt;/p&gt;&lt;p&gt;&apos;See the layout ...&apos; shows the first rows of the log, what each column is taken for, and the lines; there the layout can be changed and kept.&lt;/p&gt;</source>
        <translation>&lt;p&gt;Ohne Aufbau wird der Aufbau der Datei selbst ermittelt: Trennzeichen, Dezimalzeichen, Kopfzeile und die Rolle jeder Spalte. Was ermittelt wurde, steht im Protokoll des Laufs. Eine Zeile, die nicht zu lesen ist, wird eine Auffälligkeit; die anderen werden gelesen.&lt;/p&gt;&lt;p&gt;&apos;Aufbau ansehen ...&apos; zeigt die ersten Zeilen der Messdatei, wofür jede Spalte gehalten wird, und die Linien; dort lässt sich der Aufbau ändern und aufbewahren.&lt;/p&gt;</translation>
    </message>
    <message>
        <source>The work in the background</source>
        <translation>Die Arbeit im Hintergrund</translation>
    </message>
    <message>
        <source>name</source>
        <translation>Name</translation>
    </message>
    <message>
        <source>unit</source>
        <translation>Einheit</translation>
    </message>
    <message>
        <source>hours</source>
        <translation>Stunden</translation>
    </message>
    <message>
        <source>minutes</source>
        <translation>Minuten</translation>
    </message>
    <message>
        <source>seconds</source>
        <translation>Sekunden</translation>
    </message>
    <message>
        <source>milliseconds</source>
        <translation>Millisekunden</translation>
    </message>
    <message>
        <source>tenths of a second</source>
        <translation>Zehntelsekunden</translation>
    </message>
    <message>
        <source>hundredths of a second</source>
        <translation>Hundertstelsekunden</translation>
    </message>
    <message>
        <source>microseconds</source>
        <translation>Mikrosekunden</translation>
    </message>
    <message>
        <source>nanoseconds</source>
        <translation>Nanosekunden</translation>
    </message>
    <message>
        <source>Role of column {number}</source>
        <translation>Rolle der Spalte {number}</translation>
    </message>
    <message>
        <source>Name of the channel in column {number}</source>
        <translation>Name des Kanals in Spalte {number}</translation>
    </message>
    <message>
        <source>Unit of the channel in column {number}, such as mS/m</source>
        <translation>Einheit des Kanals in Spalte {number}, etwa mS/m</translation>
    </message>
    <message>
        <source>How column {number} is written; found out when empty</source>
        <translation>Wie Spalte {number} geschrieben ist; wird ermittelt, wenn leer</translation>
    </message>
    <message>
        <source>Part of the time in column {number}</source>
        <translation>Teil der Zeit in Spalte {number}</translation>
    </message>
    <message>
        <source>found out</source>
        <translation>wird ermittelt</translation>
    </message>
    <message>
        <source>Column {number}: {name}</source>
        <translation>Spalte {number}: {name}</translation>
    </message>
    <message>
        <source>Keep the layout ...</source>
        <translation>Aufbau aufbewahren ...</translation>
    </message>
    <message>
        <source>point</source>
        <translation>Punkt</translation>
    </message>
    <message>
        <source>comma</source>
        <translation>Komma</translation>
    </message>
    <message>
        <source>A row names the columns</source>
        <translation>Eine Zeile benennt die Spalten</translation>
    </message>
    <message>
        <source>What the reader says</source>
        <translation>Was beim Lesen auffällt</translation>
    </message>
    <message>
        <source>Turnrow: reading the log</source>
        <translation>Turnrow: Messdatei wird gelesen</translation>
    </message>
    <message>
        <source>File that keeps the layout</source>
        <translation>Datei, die den Aufbau aufbewahrt</translation>
    </message>
    <message>
        <source>Layouts (*.json)</source>
        <translation>Aufbau (*.json)</translation>
    </message>
    <message>
        <source>semicolon</source>
        <translation>Semikolon</translation>
    </message>
    <message>
        <source>tab</source>
        <translation>Tabulator</translation>
    </message>
    <message>
        <source>bar</source>
        <translation>senkrechter Strich</translation>
    </message>
    <message>
        <source>blanks</source>
        <translation>Leerzeichen</translation>
    </message>
    <message>
        <source>Values parted by</source>
        <translation>Werte getrennt durch</translation>
    </message>
    <message>
        <source>Another delimiter has the columns guessed anew.</source>
        <translation>Mit einem anderen Trennzeichen werden die Spalten neu ermittelt.</translation>
    </message>
    <message>
        <source>Decimal mark</source>
        <translation>Dezimalzeichen</translation>
    </message>
    <message>
        <source>What stands between the whole number and its fraction.</source>
        <translation>Was zwischen der ganzen Zahl und ihrem Bruchteil steht.</translation>
    </message>
    <message>
        <source>Rows to skip</source>
        <translation>Zeilen überspringen</translation>
    </message>
    <message>
        <source>Rows above the names of the columns, or above the first reading.</source>
        <translation>Zeilen über den Namen der Spalten oder über der ersten Messung.</translation>
    </message>
    <message>
        <source>The first row that is not skipped holds names, no reading.</source>
        <translation>Die erste Zeile, die nicht übersprungen wird, enthält Namen und keine Messung.</translation>
    </message>
    <message>
        <source>Map its grid although stations or times look misread as a whole.</source>
        <translation>Die Messfläche kartieren, obwohl Stationen oder Zeiten im Ganzen falsch gelesen aussehen.</translation>
    </message>
    <message>
        <source>Reading the log ...</source>
        <translation>Die Messdatei wird gelesen ...</translation>
    </message>
    <message>
        <source>fixed columns</source>
        <translation>feste Spalten</translation>
    </message>
    <message>
        <source>{name} exists. Overwrite it with this layout?</source>
        <translation>{name} gibt es schon. Mit diesem Aufbau überschreiben?</translation>
    </message>
    <message>
        <source>Layout of {log}</source>
        <translation>Aufbau von {log}</translation>
    </message>
    <message>
        <source>{name} is the log itself, which is never changed. Choose another name.</source>
        <translation>{name} ist die Messdatei selbst, die nie verändert wird. Einen anderen Namen wählen.</translation>
    </message>
    <message>
        <source>{n} more findings.</source>
        <translation>{n} weitere Auffälligkeiten.</translation>
    </message>
    <message>
        <source>Only the first {n} columns are shown.</source>
        <translation>Nur die ersten {n} Spalten werden gezeigt.</translation>
    </message>
    <message>
        <source>See the layout ...</source>
        <translation>Aufbau ansehen ...</translation>
    </message>
    <message>
        <source>See the first rows of the log, what each column is taken for, and the lines.</source>
        <translation>Die ersten Zeilen der Messdatei, wofür jede Spalte gehalten wird, und die Linien.</translation>
    </message>
    <message>
        <source>either way</source>
        <translation>ohne Richtung</translation>
    </message>
    <message>
        <source>line</source>
        <translation>Linie</translation>
    </message>
    <message>
        <source>No lines to draw.</source>
        <translation>Keine Linien zu zeichnen.</translation>
    </message>
    <message>
        <source>grid {grid}</source>
        <translation>Messfläche {grid}</translation>
    </message>
    <message>
        <source>Lines of the log: {what}</source>
        <translation>Linien der Messdatei: {what}</translation>
    </message>
    <message>
        <source>{counts} (drawn: the first {n})</source>
        <translation>{counts} (gezeichnet: die ersten {n})</translation>
    </message>
    <message>
        <source>reading</source>
        <translation>Messung</translation>
    </message>
    <message>
        <source>station</source>
        <translation>Station</translation>
    </message>
    <message>
        <source>not used</source>
        <translation>nicht verwendet</translation>
    </message>
    <message>
        <source>run</source>
        <translation>Aufzeichnung</translation>
    </message>
    <message>
        <source>time</source>
        <translation>Zeit</translation>
    </message>
    <message>
        <source>time part</source>
        <translation>Teil der Zeit</translation>
    </message>
    <message>
        <source>date</source>
        <translation>Datum</translation>
    </message>
    <message>
        <source>mark</source>
        <translation>Marke</translation>
    </message>
    <message>
        <source>grid</source>
        <translation>Messfläche</translation>
    </message>
    <message>
        <source>temperature</source>
        <translation>Temperatur</translation>
    </message>
    <message>
        <source>easting</source>
        <translation>Rechtswert</translation>
    </message>
    <message>
        <source>northing</source>
        <translation>Hochwert</translation>
    </message>
    <message>
        <source>longitude</source>
        <translation>Länge</translation>
    </message>
    <message>
        <source>latitude</source>
        <translation>Breite</translation>
    </message>
    <message>
        <source>channel</source>
        <translation>Kanal</translation>
    </message>
    <message>
        <source>First rows of the log</source>
        <translation>Erste Zeilen der Messdatei</translation>
    </message>
    <message>
        <source>blank</source>
        <translation>leer</translation>
    </message>
    <message>
        <source>names</source>
        <translation>Namen</translation>
    </message>
    <message>
        <source>comment</source>
        <translation>Bemerkung</translation>
    </message>
    <message>
        <source>opens a line</source>
        <translation>beginnt eine Linie</translation>
    </message>
    <message>
        <source>passed over</source>
        <translation>übergangen</translation>
    </message>
    <message>
        <source>cannot be read</source>
        <translation>nicht lesbar</translation>
    </message>
    <message>
        <source>Layout ...</source>
        <translation>Aufbau ...</translation>
    </message>
    <message>
        <source>See how the log of the chosen grid is read, and change it.</source>
        <translation>Ansehen und ändern, wie die Messdatei der gewählten Messfläche gelesen wird.</translation>
    </message>
    <message>
        <source>Choose a grid whose log is there.</source>
        <translation>Eine Messfläche wählen, deren Messdatei vorhanden ist.</translation>
    </message>
    <message>
        <source>Read the survey again with this layout?</source>
        <translation>Die Prospektion mit diesem Aufbau neu lesen?</translation>
    </message>
    <message>
        <source>Log</source>
        <translation>Messdatei</translation>
    </message>
    <message>
        <source>Layout of grid {grid}</source>
        <translation>Aufbau von Messfläche {grid}</translation>
    </message>
    <message>
        <source>The register does not name this layout for grid {grid}. Write {layout} into its column layout, and read the survey again?</source>
        <translation>Das Verzeichnis nennt diesen Aufbau nicht für Messfläche {grid}. {layout} in seine Spalte layout schreiben und die Prospektion neu lesen?</translation>
    </message>
    <message>
        <source>Logs of grid {grid}</source>
        <translation>Messdateien von Messfläche {grid}</translation>
    </message>
    <message>
        <source>Widths</source>
        <translation>Breiten</translation>
    </message>
    <message>
        <source>Characters of each column, such as 3 5 9 6.</source>
        <translation>Zeichen jeder Spalte, etwa 3 5 9 6.</translation>
    </message>
    <message>
        <source>Rows that open a line</source>
        <translation>Zeilen, die eine Linie beginnen</translation>
    </message>
    <message>
        <source>Regular expression found in a row that opens a line. Named groups give what stands there: line, station, end, step, time, heading, grid. Example: ^LINE (?P&lt;line&gt;\d+) FROM (?P&lt;station&gt;-?\d+)</source>
        <translation>Regulärer Ausdruck in einer Zeile, die eine Linie beginnt. Benannte Gruppen geben an, was dort steht: line, station, end, step, time, heading, grid. Beispiel: ^LINE (?P&lt;line&gt;\d+) FROM (?P&lt;station&gt;-?\d+)</translation>
    </message>
    <message>
        <source>Rows of marks</source>
        <translation>Zeilen mit Marken</translation>
    </message>
    <message>
        <source>Regular expression found in a row that marks the reading below it. Example: ^MARK</source>
        <translation>Regulärer Ausdruck in einer Zeile, die den Messwert darunter markiert. Beispiel: ^MARK</translation>
    </message>
    <message>
        <source>no such rows</source>
        <translation>keine solchen Zeilen</translation>
    </message>
    <message>
        <source>Turnrow: checking an expression</source>
        <translation>Turnrow: prüft einen Ausdruck</translation>
    </message>
    <message>
        <source>Checking the expression ...</source>
        <translation>Prüft den Ausdruck ...</translation>
    </message>
    <message>
        <source>Showing the layout of {name}</source>
        <translation>Das Anzeigen des Layouts von {name}</translation>
    </message>
    <message>
        <source>reset</source>
        <translation>neu genullt</translation>
    </message>
</context>
</TS>
