"""Given names that are common where the nine languages of the header words are spoken (recalled).

Names that are also ordinary words of a clinic or of a sheet (Mark, Rose, Max, Will, Can) are left out.
"""

from __future__ import annotations

_GIVEN_NAMES = """
    aaron abdul adam adrian agnieszka ahmad ahmed aisha alan albert alejandro aleksander aleksandra alessandro
    alessandra alexander alexandra alexandre alfonso alfred alice alina amanda amelie ana anders andrea andreas
    andrei andrew andrzej angela angelika anita anja anke anna annalisa anne annette anthony antje antoine anton
    antonia antonio arthur astrid ayse aysegul bartosz beate beatrice beatriz benjamin bernard bernd bettina
    birgit bogdan brian bruno burak camille carla carlos carmen carolina caroline cecile celine charles
    charlotte christian christina christine christoph christopher claire clara claudia claudio concepcion
    cornelia cristina daan daniel daniela danuta david deborah denise derya diana diego dieter dirk dominik
    dominique dorota douglas edith eduardo edward elena eleonora elif elisabeth elizabeth ella emily emine emma
    emre enrico erik ernst esra esther eugenia eva fabian fabio fatih fatima fatma federica federico felipe
    felix fernanda fernando filip florian francesca francesco francisco francois frederic friedrich gabriel
    gabriela gabriele gary george georg gerard gerhard giovanni giulia giuseppe gregory grzegorz guillaume
    gunter gustavo hakan hanna hannah hans harald hasan hatice heather heike heinrich helen helena helga henri
    henrique henryk hiroshi holger hugo huseyin ibrahim ines ingrid irene isabel isabella isabelle iwona jacek
    jacques jakub james jan jana janet jason javier jean jennifer jeroen jerzy jessica joana joanna joao joaquin
    johan johann johanna johannes john jonas jonathan jorge jose josef joseph juan juana juergen julia julian
    julie julien jurgen justyna karen karin karl karolina katarina katarzyna kathrin katrin kemal kenneth
    kerstin kevin klaus konrad krystyna krzysztof lars laura laurent lena leon leonardo linda lisa lorenzo louis
    louise luca lucas lucia luciana ludmila luigi luis luisa lukas lukasz magdalena maciej malgorzata manfred
    manuel manuela marc marcel marcin marco marcos margaret margarita maria mariana marie marina mario marion
    marta martin martina mateusz matteo matthew matthias mehmet mercedes merve michael michal michel michele
    michelle miguel mikael mohamed mohammad mohammed monica monika muhammad murat mustafa nadia nadine natalia
    nathalie nicholas nicolas nicole nina noemi nuno olaf oliver olga olivier omar osman oscar otto pablo paola
    paolo patricia patrick paul paula paulina paulo pawel pedro peter petra philipp philippe pierre pieter pilar
    piotr rafael raul rebecca regina renate ricardo richard robert roberta roberto rodrigo roland rosa rosario
    ruben rudolf ruth sabine samantha samuel sandra sara sarah sebastian sebastien sergio serkan silvia simon
    simone sofia sonia sophie stefan stefania stefano steffen stephan stephanie steven susan susana susanne sven
    sylvia tamara tanja teresa teun thiago thomas tiago timothy tobias tomas tomasz tugba ulrich ulrike ursula
    uwe valentina valeria vanessa vasco vera veronica vicente victoria vincent vincenzo virginie viviane volker
    walter wanda werner wiebke wilhelm willem wojciech wolfgang xavier yasemin yusuf yves zbigniew zeynep zofia
"""
GIVEN_NAMES = frozenset(_GIVEN_NAMES.split())
