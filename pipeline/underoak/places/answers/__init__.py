"""What a result can mean: enums and small records, without sentences.

Tables hold these inside the program. `places.columns` turns them into the text of a file and back; `report.text` turns
them into sentences for people.
"""
